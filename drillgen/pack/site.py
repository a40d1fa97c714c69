"""The place where a build works: the pack's folder, locked, with room for what is not finished."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from drillgen.pack.files import clear, folder
from drillgen.pack.locking import only_build
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

    Raises PackError where the folder cannot be made, or another build works in it; OSError.
    """
    folder(pack)
    with only_build(pack):
        making = pack / _MAKING
        clear(making)
        for part in pack.glob(_PART):
            part.unlink(missing_ok=True)
        folder(making)
        try:
            yield Site(pack, making)
        finally:
            clear(making)
