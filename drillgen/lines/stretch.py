"""What every kind of line is given: the bars of one pass, and the room to write in."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from random import Random
from typing import Any

from drillgen.chart import Bar, Span
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Name, Pitch, in_range


@dataclass(frozen=True, slots=True)
class Cell:
    """A chord in its place, and the chord that comes after it."""

    span: Span
    chord: Chord
    key: Key
    bar_start: Fraction  # quarter notes from the track's start
    following: tuple[Chord, Key] | None  # None at the end, or before N.C.


@dataclass(frozen=True, slots=True)
class Stretch:
    """One pass in one key, as a line is written over it.

    The bars are those that the student hears (or all of them, where call and response trade
    through the form), so their places in time need not touch.
    """

    bars: tuple[Bar, ...]  # calls and play (and, where the form goes on through them, responses)
    cells: tuple[Cell, ...]
    beat: Fraction  # quarter notes
    low: int  # sounding MIDI keys, both included
    high: int
    near: int  # MIDI key that the line should start close to
    random: Random
    turn: int = 0  # which pass in this key, from 0
    progress: float = 0.0  # how far through the track: 0 in its first pass, 1 in its last


Writer = Callable[[Stretch, Any], list[Note]]


def cells(bars: Iterable[Bar], after: Bar | None = None) -> Iterator[Cell]:
    """The chords of some bars, in order, N.C. left out; `after` is the bar that comes next."""
    bars = list(bars)
    tail = [after] if after is not None else []
    places = [(bar, span) for bar in [*bars, *tail] for span in bar.spans]
    count = sum(len(bar.spans) for bar in bars)
    for index, (bar, span) in enumerate(places[:count]):
        if span.chord is not None:
            following = places[index + 1] if index + 1 < len(places) else None
            yield Cell(span, span.chord, bar.key, bar.start, _chord(following))


def _chord(place: tuple[Bar, Span] | None) -> tuple[Chord, Key] | None:
    if place is None or place[1].chord is None:
        return None
    return place[1].chord, place[0].key


def closest(name: Name, near: float, low: int, high: int) -> Pitch:
    """The pitch of that name closest to `near` within the range; the lower one on a tie.

    A range of less than an octave may not hold the name: then the closest to the range is given.
    """
    inside = in_range(name, low, high)
    if not inside:
        return Pitch.near(name, (low + high) / 2)
    return min(inside, key=lambda pitch: (abs(pitch.midi - near), pitch.midi))
