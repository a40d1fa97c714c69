"""Pedal points: one bass note under several chords (common practice: the bass stays on it).

A chord stands over a pedal where a neighbour with another harmony has the same bass, and at least
one of the two is written with it: Dm7/G G7, or C/G F/G.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from drillgen.lines.stretch import Cell
from drillgen.score import Note


def over_pedal(cells: Sequence[Cell]) -> tuple[bool, ...]:
    """Whether each chord stands over a pedal."""

    def shares(index: int, other: int) -> bool:
        if not 0 <= other < len(cells):
            return False
        one, two = cells[index].chord, cells[other].chord
        written = one.bass is not None or two.bass is not None
        return written and one.root != two.root and one.bass_name == two.bass_name

    return tuple(shares(i, i - 1) or shares(i, i + 1) for i in range(len(cells)))


def with_pedals(notes: Sequence[Note], cells: Sequence[Cell]) -> Iterator[Note]:
    """The notes of a walking bass, those over a pedal all on its first one."""
    held: Note | None = None
    pedal = [cell for cell, over in zip(cells, over_pedal(cells), strict=True) if over]
    for note in notes:
        cell = next((c for c in pedal if c.span.start <= note.start < c.span.end), None)
        if cell is None:
            held = None
            yield note
            continue
        if held is None or held.pitch.name != cell.chord.bass_name:
            held = note  # a chord over a pedal begins on its bass
        yield replace(note, pitch=held.pitch, mark="")
