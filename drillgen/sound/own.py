"""Our own soundfont on this machine: made when it is first needed, and when its recipe changes.

It lies in the cache folder, or, where nothing can be written there, in a folder for this run.
"""

from __future__ import annotations

import tempfile
from contextlib import suppress
from functools import cache
from pathlib import Path

from drillgen.bank.make import recipe, written
from drillgen.errors import SoundError
from drillgen.sound.places import cache_dir
from drillgen.sound.soundfont_file import check
from drillgen.sound.soundfonts import MADE, Soundfont, read_soundfont


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
    with suppress(SoundError):  # it is not there yet, or somebody has damaged it
        check(path)
        return read_soundfont(path, MADE)
    folder.mkdir(parents=True, exist_ok=True)
    for older in folder.glob("drillgen-own-*.sf2"):
        with suppress(OSError):  # in use, on Windows
            older.unlink()
    written(path)
    return read_soundfont(path, MADE)


def _for_now(name: str) -> Soundfont:
    try:
        path = Path(_folder_of_this_run().name) / name
        written(path)
    except OSError as error:
        said = error.strerror or str(error)
        raise SoundError(f"There is no room for our own sounds: {said}.") from error
    return read_soundfont(path, MADE)


@cache
def _folder_of_this_run() -> tempfile.TemporaryDirectory[str]:
    """Removed when the process ends."""
    return tempfile.TemporaryDirectory(prefix="drillgen-")
