"""The place where a build works: the pack's folder, locked, with room for what is not finished."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from drillgen.pack import journal, locking, manifest
from drillgen.pack.files import clear, folder, stranger
from drillgen.pack.tasks import Task, task_folder

_MAKING = ".making"  # inside the pack, so that finished files need only be renamed
# Left beside the manifest by a writer that was killed (`whole.py`).  Everything else is written in
# `.making`: a folder that holds more than a pack is not searched.
_PART = ".part-" + "[0-9a-f]" * 16


@dataclass(frozen=True, slots=True)
class Site:
    """Folders of a build."""

    pack: Path
    making: Path

    def room_for(self, task: Task) -> Path:
        """An empty folder for a task."""
        place = task_folder(self.making, task)
        clear(place)
        return folder(place)


@contextmanager
def site(pack: Path) -> Iterator[Site]:
    """Work in a pack's folder, alone; what a killed build left half-done is removed first.

    Raises PackError where the folder cannot be made, something of somebody else's has one of the
    names that are used here, or another build works in it; OSError.
    """
    with _filled(pack):
        known = _known(pack)
        with locking.only_build(pack):
            making = pack / _MAKING
            if known:
                _sweep(pack)
            folder(making)
            try:
                yield Site(pack, making)
            finally:
                clear(making)


@contextmanager
def _filled(pack: Path) -> Iterator[None]:
    """A folder, made unless it is there; one that was made and has stayed empty is removed."""
    new = [each for each in (pack, *pack.parents) if not each.exists()]
    folder(pack)
    try:
        yield
    finally:
        with suppress(OSError):  # something is in it
            for each in new:
                each.rmdir()


def _known(pack: Path) -> bool:
    """Whether a build has been here, whose hidden files may be swept.

    Raises PackError for those that no build has left.  A link is nobody's that we know: what it
    leads to is not here.
    """
    making, noted, lock = pack / _MAKING, pack / journal.NAME, pack / locking.NAME
    # What a build makes is looked for first: another one may be beginning just now.
    begun = [path for path in (making, *pack.glob(_PART)) if os.path.lexists(path)]
    known = locking.is_held(pack) or manifest.is_ours(manifest.read(pack))
    strangers = [path for path in (making, noted, lock) if path.is_symlink()]
    strangers += [] if known else begun
    strangers += [] if journal.is_free(pack) else [noted]
    strangers += [] if locking.is_free(pack) else [lock]
    if strangers:
        raise stranger(strangers[0])
    return known


def _sweep(pack: Path) -> None:
    clear(pack / _MAKING)
    for part in pack.glob(_PART):
        part.unlink(missing_ok=True)
