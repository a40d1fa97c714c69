"""Reading the outside of a soundfont: its INFO texts and its list of presets.

A SoundFont 2 file (SoundFont Technical Specification 2.04, section 4 and 7.2) is a RIFF file of
form `sfbk` holding the lists INFO, sdta and pdta.  SF3 is the same with Vorbis samples.  The file
may come from anywhere: every length is checked against what is really there.
"""

from __future__ import annotations

import stat
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from drillgen.errors import SoundError

_TEXTS = {b"INAM": "name", b"ICOP": "copyright", b"IENG": "engineers", b"ICMT": "comment"}
_LONGEST_TEXT = 65536  # bytes: the specification's own limit for ICMT
_MOST_PRESETS = 20000
_PRESET = struct.Struct("<20sHHHIII")  # name, preset, bank, bag, library, genre, morphology


@dataclass(frozen=True, slots=True)
class Outside:
    """What a soundfont says of itself."""

    name: str
    copyright: str
    comment: str
    presets: frozenset[tuple[int, int]]  # bank and program


# What tells whether a file is still the one that was looked at: where it lies on its disk, its
# size, and when its content and anything of it was changed last.
Identity = tuple[int, int, int, int, int]


def identity(path: Path) -> Identity:
    """A file's identity.  Raises SoundError where it is none that can be read to its end."""
    try:
        state = path.stat()
    except OSError as error:
        raise SoundError(f"{path} cannot be read: {error.strerror or error}.") from error
    if not stat.S_ISREG(state.st_mode):
        raise SoundError(f"{path} is no file.")
    return state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns, state.st_ctime_ns


def unchanged(path: Path, known: Identity) -> None:
    """Raises SoundError where a file is another one now."""
    if identity(path) != known:
        raise SoundError(f"{path} was changed while its sounds were being rendered: build again.")


def outside(path: Path) -> Outside:
    """Read a soundfont's INFO and preset list.

    Raises:
        SoundError: the file cannot be read, is not a soundfont, or is cut short.
    """
    identity(path)
    try:
        with path.open("rb") as file:
            return _outside(file, path)
    except OSError as error:
        raise SoundError(f"{path} cannot be read: {error.strerror or error}.") from error


def _outside(file: BinaryIO, path: Path) -> Outside:
    size = path.stat().st_size
    head = file.read(12)
    if len(head) < 12 or head[:4] != b"RIFF" or head[8:] != b"sfbk":
        raise SoundError(f"{path} is not a soundfont.")
    texts: dict[str, str] = {}
    presets: frozenset[tuple[int, int]] | None = None
    for kind, start, end in chunks(file, 12, size, path):
        file.seek(start)
        form = file.read(4) if kind == b"LIST" else b""
        if form == b"INFO":
            texts = _texts(file, start + 4, end, path)
        elif form == b"pdta":
            presets = _presets(file, start + 4, end, path)
    if presets is None:
        raise SoundError(f"{path} is not a whole soundfont: its list of presets is missing.")
    return Outside(
        texts.get("name", ""), texts.get("copyright", ""), texts.get("comment", ""), presets
    )


def chunks(file: BinaryIO, start: int, end: int, path: Path) -> Iterator[tuple[bytes, int, int]]:
    """Kind, first byte and end of each chunk in a stretch of the file."""
    while start + 8 <= end:
        file.seek(start)
        kind, length = struct.unpack("<4sI", file.read(8))
        if start + 8 + length > end:
            raise SoundError(f"{path} is cut short or damaged.")
        yield kind, start + 8, start + 8 + length
        start += 8 + length
        if length % 2:  # a zero pads it to an even length; some makers of SF3 leave that out
            file.seek(start)
            start += file.read(1) == b"\0"


def _texts(file: BinaryIO, start: int, end: int, path: Path) -> dict[str, str]:
    texts = {}
    for kind, first, last in chunks(file, start, end, path):
        if kind in _TEXTS:
            file.seek(first)
            raw = file.read(min(last - first, _LONGEST_TEXT))
            texts[_TEXTS[kind]] = _plain(raw.split(b"\0")[0].decode("latin-1"))
    return texts


def _plain(text: str) -> str:
    """On one line, without control characters: it will be printed to a terminal."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _presets(file: BinaryIO, start: int, end: int, path: Path) -> frozenset[tuple[int, int]]:
    for kind, first, last in chunks(file, start, end, path):
        if kind == b"phdr":
            file.seek(first)
            raw = file.read(min(last - first, _MOST_PRESETS * _PRESET.size))
            whole = len(raw) - len(raw) % _PRESET.size
            records = list(_PRESET.iter_unpack(raw[:whole]))[:-1]  # the last marks the end
            return frozenset((bank, program) for _, program, bank, *_ in records)
    raise SoundError(f"{path} is not a whole soundfont: its list of presets is missing.")
