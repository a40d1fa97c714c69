"""Intervals by name: a note of the chord, silence to sing in, and the note so far above or below.

Common practice of ear training: the first note is given, the second one sung before it is heard.
The interval decides the second note's letter: a minor third under C is A, an augmented fourth over
it F sharp.  One interval a chord, in the order written; every pass in a key begins one further on.
"""

from __future__ import annotations

from fractions import Fraction

from drillgen.drill.line_options import INTERVAL_DEGREES
from drillgen.drill.lines import Intervals
from drillgen.lines.pass_context import Cell, PassContext
from drillgen.lines.tones import degree_of, readable
from drillgen.score import Note
from drillgen.theory.pitch import Degree, Name, Pitch, in_range

_CHORD_TONES = (1, 3, 5, 7)
_EIGHTH = Fraction(1, 2)  # quarter notes


def write(context: PassContext, options: Intervals) -> list[Note]:
    """Two notes a chord, each pair close to the one before."""
    notes: list[Note] = []
    near = context.near
    for index, cell in enumerate(context.cells):
        name = options.sizes[(index + context.turn) % len(options.sizes)]
        down = options.direction == "down" or (options.direction == "both" and index % 2 == 1)
        tone = degree_of(cell, _CHORD_TONES[index % 4] if options.start == "chord tones" else 1)
        first, second = _pair(
            cell.chord.root.above(tone), INTERVAL_DEGREES[name], down, near, context
        )
        # Half-way back to where the line began, so that a cycle of fourths does not climb away.
        near = (first.midi + context.near) // 2
        place, length = _places(cell, context.beat, sung=options.sung)
        start, end = cell.span.start, cell.span.end
        notes.append(Note(start, length, first, mark=str(tone)))
        notes.append(Note(start + place, end - start - place, second, mark=f"{'-' * down}{name}"))
    return notes


def _pair(
    name: Name, interval: Degree, down: bool, near: int, context: PassContext
) -> tuple[Pitch, Pitch]:
    """The first note and the one an interval from it, both in the range where that can be."""
    way = -1 if down else 1
    other = Name(name.fifths + way * interval.fifths)
    firsts = in_range(name, context.low, context.high)
    held = [f for f in firsts if context.holds(f.midi + way * interval.semitones)]
    first = min(
        held or firsts or [context.closest(name, near)],
        key=lambda pitch: (abs(pitch.midi - near), pitch.midi),
    )
    second = Pitch.near(other, first.midi + way * interval.semitones)
    return readable(first), context.within(readable(second))


def _places(cell: Cell, beat: Fraction, *, sung: bool) -> tuple[Fraction, Fraction]:
    """When the second note comes after the first, half-way on a beat where there are two, and how
    long the first one sounds; quarter notes."""
    duration = cell.span.duration
    unit = beat if duration >= 2 * beat and duration % beat == 0 else _EIGHTH
    place = min(-(-duration // (2 * unit)) * unit, duration - min(unit, duration / 2))
    if not sung or place <= _EIGHTH:
        return place, place
    return place, place - unit if place > unit else place - _EIGHTH
