"""Whether the inside of a soundfont holds together, before FluidSynth is given it.

A soundfont may come from anywhere, and FluidSynth is written in C: an index beyond a table's end
must not reach it.  Checked are the nine tables of the pdta list (SoundFont Technical Specification
2.04, section 7): each is made of whole records, indices from one table into the next rise and stay
within it, and samples lie within what there is of sound.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from drillgen.errors import SoundError
from drillgen.sound.soundfont_chunks import chunks

# Fields that are looked at, and the size of a record.
_TABLES: dict[bytes, np.dtype[np.void]] = {
    kind: np.dtype(
        {
            "names": list(fields),
            "formats": [form for form, _ in fields.values()],
            "offsets": [offset for _, offset in fields.values()],
            "itemsize": size,
        }
    )
    for kind, size, fields in (
        (b"phdr", 38, {"bag": ("<u2", 24)}),
        (b"pbag", 4, {"generator": ("<u2", 0), "modulator": ("<u2", 2)}),
        (b"pmod", 10, {}),
        (b"pgen", 4, {"kind": ("<u2", 0), "amount": ("<u2", 2)}),
        (b"inst", 22, {"bag": ("<u2", 20)}),
        (b"ibag", 4, {"generator": ("<u2", 0), "modulator": ("<u2", 2)}),
        (b"imod", 10, {}),
        (b"igen", 4, {"kind": ("<u2", 0), "amount": ("<u2", 2)}),
        (
            b"shdr",
            46,
            {"start": ("<u4", 20), "end": ("<u4", 24), "rate": ("<u4", 36), "type": ("<u2", 44)},
        ),
    )
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
        raise SoundError(f"{path} cannot be read: {error.strerror or error}.") from error
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
        if np.any(chosen >= len(tables[owned]) - 1):
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
    return bool(np.all(indices[1:] >= indices[:-1]) and np.all(indices < max(length, 1)))


def _samples_fit(samples: NDArray[np.void], sound: int) -> bool:
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
    record = _TABLES[name]
    if (last - first) % record.itemsize or not 0 < last - first <= _LARGEST:
        return None
    file.seek(first)
    return np.frombuffer(file.read(last - first), record)
