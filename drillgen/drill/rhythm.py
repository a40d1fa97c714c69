"""Cells: small rhythms that phrases are put together from.

A cell is written in lengths (`q e e`), `r:` before those that are rests (`r:e q e`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from drillgen.drill.fields import Read
from drillgen.drill.meter import Meter
from drillgen.drill.notation import LENGTH_ALLOWED, length_of
from drillgen.drill.problems import Wrong, Wrongs, refuse, show

_REST = "r:"
_MOST = 32  # cells
_ALLOWED = f"{LENGTH_ALLOWED}; r: before a rest: r:e q e"


@dataclass(frozen=True, slots=True)
class RhythmCell:
    """Lengths in quarter notes, each sounding or silent."""

    lengths: tuple[tuple[Fraction, bool], ...]

    @property
    def length(self) -> Fraction:
        """Quarter notes."""
        return sum((length for length, _ in self.lengths), Fraction(0))

    @property
    def sounding(self) -> int:
        """How many notes it has."""
        return sum(sounds for _, sounds in self.lengths)


def read_cell(value: Any) -> RhythmCell:
    """Read 'q e e' or 'r:e q e'.  Raises RefusedError."""
    if not isinstance(value, str) or not value.split():
        raise refuse(f"{show(value)} is no rhythm", _ALLOWED)
    lengths: list[tuple[Fraction, bool]] = []
    for word in re.finditer(r"\S+", value):
        sounds = not word[0].startswith(_REST)
        length = length_of(word[0].removeprefix(_REST))
        if length is None:
            raise refuse(f"{show(word[0])} is no length", _ALLOWED, offset=word.start())
        lengths.append((length, sounds))
    cell = RhythmCell(tuple(lengths))
    if not cell.sounding:
        raise refuse(f"{show(value)} has no note", _ALLOWED)
    return cell


def _read_cells(value: Any) -> tuple[RhythmCell, ...]:
    if isinstance(value, tuple) and value and all(isinstance(each, RhythmCell) for each in value):
        return value
    if isinstance(value, str):
        return (read_cell(value),)
    if not isinstance(value, list | tuple) or not 1 <= len(value) <= _MOST:
        raise refuse(f"{show(value)} is no list of rhythms", f"1 to {_MOST} rhythms: [q e e, h]")
    wrongs = Wrongs()
    cells: list[RhythmCell] = []
    for index, text in enumerate(value):
        with wrongs.at(index):
            cells.append(read_cell(text))
    wrongs.raise_any()
    return tuple(cells)


def too_long(cells: tuple[RhythmCell, ...], meter: Meter) -> list[Wrong]:
    """Cells that no bar of the meter can hold, by index."""
    return [
        Wrong(
            f"the rhythm is longer than a bar of {meter}",
            f"up to {meter.bar} quarter notes",
            at=(index,),
        )
        for index, cell in enumerate(cells)
        if cell.length > meter.bar
    ]


_CELL = {"type": "string", "minLength": 1}
CELLS = Read(
    _read_cells,
    {
        "anyOf": [_CELL, {"type": "array", "items": _CELL, "minItems": 1, "maxItems": _MOST}],
        "examples": [["q e e", "e q e", "r:e q."]],
    },
)

# What phrases are made of where the drill names no cells, by whether the beat has three eighths:
# common figures of one, two and three beats.
DEFAULT_CELLS: dict[bool, tuple[RhythmCell, ...]] = {
    compound: tuple(map(read_cell, cells))
    for compound, cells in {
        False: ("q", "e e", "r:e e", "h", "q. e", "e q e", "q e e", "e e q", "r:e q e", "r:e e q",
                "q. q.", "q q e e"),
        True: ("q.", "q e", "e q", "e e e", "r:e e e", "h.", "q. q e", "q e q.", "e e e q."),
    }.items()
}  # fmt: skip
