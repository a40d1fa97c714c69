"""Soundfonts as files: what they say of themselves, whether they hold together, their SHA-256.

Reading the outside of a soundfont: its INFO texts and its list of presets.

A SoundFont 2 file (SoundFont Technical Specification 2.04, section 4 and 7.2) is a RIFF file of
form `sfbk` holding the lists INFO, sdta and pdta.  SF3 is the same with Vorbis samples.  The file
may come from anywhere: every length is checked against what is really there.

Whether the inside of a soundfont holds together, before FluidSynth is given it.

A soundfont may come from anywhere, and FluidSynth is written in C: an index beyond a table's end
must not reach it.  Checked are the nine tables of the pdta list (SoundFont Technical Specification
2.04, section 7): each is made of whole records, indices from one table into the next rise and stay
within it, and samples lie within what there is of sound.
"""

from __future__ import annotations

import hashlib
import json
import stat
import struct
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from drillgen.disk import cache_dir, is_regular, whole_file
from drillgen.errors import SoundError, reason

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_TEXTS = {b"INAM": "name", b"ICOP": "copyright", b"IENG": "engineers", b"ICMT": "comment"}
_LONGEST_TEXT = 65536  # bytes: the specification's own limit for ICMT
_MOST_PRESETS = 20000
_MOST_BYTES = (1 << 32) + 8  # of a RIFF file: its length has 32 bits and leaves out the first 8
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
        raise _unreadable(path, error) from error
    if not stat.S_ISREG(state.st_mode):
        raise SoundError(f"{path} is no file.")
    if state.st_size > _MOST_BYTES:
        raise SoundError(f"{path} is no soundfont: none can be larger than 4 GB.")
    return state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns, state.st_ctime_ns


def _unreadable(path: Path, error: OSError) -> SoundError:
    return SoundError(f"{path} cannot be read: {reason(error)}.")


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
        raise _unreadable(path, error) from error


def _outside(file: BinaryIO, path: Path) -> Outside:
    size = path.stat().st_size
    head = file.read(12)
    if len(head) < 12 or head[:4] != b"RIFF" or head[8:] != b"sfbk":
        raise SoundError(f"{path} is not a soundfont.")
    if (said := int.from_bytes(head[4:8], "little") + 8) != size:  # FluidSynth refuses it, too
        raise SoundError(
            f"{path} is cut short or damaged: it says that it has {said} bytes, but has {size}."
        )
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


# By kind of record: its size, and the fields that are looked at, with NumPy's form and the offset.
# NumPy itself is imported where a table is read: to find soundfonts needs none of it.
_TABLES: dict[bytes, tuple[int, dict[str, tuple[str, int]]]] = {
    b"phdr": (38, {"bag": ("<u2", 24)}),
    b"pbag": (4, {"generator": ("<u2", 0), "modulator": ("<u2", 2)}),
    b"pmod": (10, {}),
    b"pgen": (4, {"kind": ("<u2", 0), "amount": ("<u2", 2)}),
    b"inst": (22, {"bag": ("<u2", 20)}),
    b"ibag": (4, {"generator": ("<u2", 0), "modulator": ("<u2", 2)}),
    b"imod": (10, {}),
    b"igen": (4, {"kind": ("<u2", 0), "amount": ("<u2", 2)}),
    b"shdr": (
        46,
        {"start": ("<u4", 20), "end": ("<u4", 24), "rate": ("<u4", 36), "type": ("<u2", 44)},
    ),
}
_INSTRUMENT, _SAMPLE = 41, 53  # generators that lead to another table (8.1.2)
_ROM, _COMPRESSED = 0x8000, 0x10  # sample types: not in the file; SF3's Vorbis
_LARGEST = 64 << 20  # bytes of a table: a hundred times the largest seen


@dataclass(frozen=True, slots=True)
class _Inside:
    tables: dict[bytes, NDArray[np.void]]
    sound: int  # bytes of samples


def check(path: Path) -> None:
    """Raises SoundError: the file cannot be read, or its tables contradict each other."""
    try:
        state = path.stat()
        trouble = _trouble(path, state.st_mtime_ns, state.st_size)
    except OSError as error:
        raise _unreadable(path, error) from error
    if trouble:
        raise SoundError(f"{path} cannot be used as a soundfont: {trouble}.")


@lru_cache(maxsize=8)
def _trouble(path: Path, changed: int, size: int) -> str:
    """What is wrong, or "".  A file is looked at again when its time or size has changed."""
    del changed
    with path.open("rb") as file:
        inside = _read(file, size, path)
    missing = sorted(_TABLES.keys() - inside.tables.keys())
    if missing:
        return f"its table {missing[0].decode()} is missing or not whole"
    tables = inside.tables
    for owner, field, owned in _LINKS:
        if not _rises(tables[owner][field], len(tables[owned])):
            return f"its table {owner.decode()} points beyond {owned.decode()}"
    for owner, kind, owned in ((b"pgen", _INSTRUMENT, b"inst"), (b"igen", _SAMPLE, b"shdr")):
        chosen = tables[owner]["amount"][tables[owner]["kind"] == kind]
        if (chosen >= len(tables[owned]) - 1).any():
            return f"its table {owner.decode()} points beyond {owned.decode()}"
    return "" if _samples_fit(tables[b"shdr"][:-1], inside.sound) else "samples are missing"


_LINKS = (
    (b"phdr", "bag", b"pbag"),
    (b"pbag", "generator", b"pgen"),
    (b"pbag", "modulator", b"pmod"),
    (b"inst", "bag", b"ibag"),
    (b"ibag", "generator", b"igen"),
    (b"ibag", "modulator", b"imod"),
)


def _rises(indices: NDArray[np.uint16], length: int) -> bool:
    """Whether indices never go back and stay within a table, whose last record marks its end."""
    return bool((indices[1:] >= indices[:-1]).all() and (indices < max(length, 1)).all())


def _samples_fit(samples: NDArray[np.void], sound: int) -> bool:
    import numpy as np

    own = samples[(samples["type"] & _ROM) == 0]
    room = np.where(own["type"] & _COMPRESSED, sound, sound // 2)
    within = (own["start"] <= own["end"]) & (own["end"] <= room)
    sounds = (own["rate"] > 0) | (own["start"] == own["end"])
    return bool(np.all(within & sounds))


def _read(file: BinaryIO, size: int, path: Path) -> _Inside:
    tables: dict[bytes, NDArray[np.void]] = {}
    sound = 0
    for kind, start, end in chunks(file, 12, size, path):
        file.seek(start)
        if kind != b"LIST" or end - start < 4:
            continue
        form = file.read(4)
        for name, first, last in chunks(file, start + 4, end, path):
            if form == b"sdta" and name == b"smpl":
                sound = last - first
            elif form == b"pdta" and name in _TABLES:
                table = _table(file, name, first, last)
                if table is not None:
                    tables[name] = table
    return _Inside(tables, sound)


def _table(file: BinaryIO, name: bytes, first: int, last: int) -> NDArray[np.void] | None:
    import numpy as np

    size, fields = _TABLES[name]
    if (last - first) % size or not 0 < last - first <= _LARGEST:
        return None
    record = np.dtype(
        {
            "names": list(fields),
            "formats": [form for form, _ in fields.values()],
            "offsets": [offset for _, offset in fields.values()],
            "itemsize": size,
        }
    )
    file.seek(first)
    return np.frombuffer(file.read(last - first), record)


# SHA-256 of soundfonts, remembered: 148 MB take a third of a second each time.


def sha256_of(path: Path) -> str:
    """The SHA-256 of a file in hexadecimal, from memory while the file is the same.

    Raises SoundError where it cannot be read, or changes while it is.
    """
    try:
        true = path.resolve(strict=True)
        mark = identity(true)
        entry = _remembered().get(str(true))
        if isinstance(entry, list) and len(entry) == 2 and entry == _sealed(mark, str(entry[0])):
            return str(entry[0])
        with true.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise _unreadable(path, error) from error
    unchanged(true, mark)
    _remember(str(true), _sealed(mark, digest))
    return digest


def _sealed(mark: Identity, digest: str) -> list[str]:
    """A digest, and what it is worth nothing without: a memory may be damaged, too."""
    return [digest, hashlib.sha256(f"{mark} {digest}".encode()).hexdigest()[:16]]


def _book() -> Path:
    return cache_dir() / "checksums.json"


def _remembered() -> dict[str, Any]:
    try:
        book = _book()
        content = json.loads(book.read_text("utf-8")) if is_regular(book) else {}
    except (OSError, ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}


def _remember(path: str, entry: list[Any]) -> None:
    """A cache that cannot be written is only slower."""
    with suppress(OSError):
        _book().parent.mkdir(parents=True, exist_ok=True)
        with whole_file(_book()) as file:
            file.write(json.dumps(_remembered() | {path: entry}, indent=1).encode("utf-8"))
