"""Our own soundfont on this machine: made when it is first needed, and when its recipe changes.

It lies in the cache folder, or, where nothing can be written there, in a folder for this run.
"""

from __future__ import annotations

import tempfile
import time
from contextlib import suppress
from functools import cache
from pathlib import Path

from drillgen.bank import recipe
from drillgen.disk import alone, cache_dir
from drillgen.errors import SoundError
from drillgen.sound.soundfont_file import check
from drillgen.sound.soundfonts import MADE, Soundfont, read_soundfont

_A_DAY = 86400.0  # seconds


@cache
def own_soundfont() -> Soundfont:
    """Our own soundfont.  Raises SoundError: there is no room for it anywhere."""
    name = f"drillgen-own-{recipe()[:12]}.sf2"
    try:
        return _kept(cache_dir() / "soundfonts", name)
    except OSError:  # a cache that cannot be written is only slower
        return _for_now(name)


def _kept(folder: Path, name: str) -> Soundfont:
    path = folder / name
    if found := _whole(path):
        return found
    folder.mkdir(parents=True, exist_ok=True)
    # Workers need it at the same time: one makes it, and nobody replaces what others play.
    with alone(folder / "drillgen-own.lock"):
        if found := _whole(path):
            return found
        _remove_old(folder, name)
        _make(path)
        return read_soundfont(path, MADE)


def _whole(path: Path) -> Soundfont | None:
    with suppress(SoundError):  # it is not there yet, or somebody has damaged it
        check(path)
        return read_soundfont(path, MADE)
    return None


def _remove_old(folder: Path, name: str) -> None:
    """Those of other versions, unless they may be in use: made less than a day ago."""
    for older in folder.glob("drillgen-own-*.sf2"):
        with suppress(OSError):  # in use, on Windows
            if older.name != name and time.time() - older.stat().st_mtime > _A_DAY:
                older.unlink()


def _for_now(name: str) -> Soundfont:
    try:
        path = Path(_folder_of_this_run().name) / name
        _make(path)
    except OSError as error:
        said = error.strerror or str(error)
        raise SoundError(f"There is no room for our own sounds: {said}.") from error
    return read_soundfont(path, MADE)


def _make(path: Path) -> None:
    from drillgen.bank.make import written  # with NumPy, which not every command needs

    written(path)


@cache
def _folder_of_this_run() -> tempfile.TemporaryDirectory[str]:
    """Removed when the process ends."""
    return tempfile.TemporaryDirectory(prefix="drillgen-")
