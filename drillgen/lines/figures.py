"""Figures: degrees over a root, given pitches inside the range and laid out in time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction

from drillgen.lines.stretch import Cell, closest
from drillgen.score import Note
from drillgen.theory.pitch import Degree, Name, Pitch, in_range

_MOST_ACCIDENTALS = 2  # nobody reads a triple flat


def readable(pitch: Pitch) -> Pitch:
    """Itself, or the simplest name of its sound where it would need three accidentals."""
    if abs(pitch.name.alter) <= _MOST_ACCIDENTALS:
        return pitch
    return Pitch.near(pitch.name.simplest, pitch.midi)


def roots(root: Name, degrees: Sequence[Degree], low: int, high: int) -> list[Pitch]:
    """The roots over which most of a figure lies in the range: all of it, if it can."""
    heights = [degree.semitones for degree in degrees]

    def outside(pitch: Pitch) -> int:
        return sum(not low <= pitch.midi + height <= high for height in heights)

    places = in_range(root, low - max(heights), high - min(heights))
    places = places or in_range(root, low - max(heights), high)
    fewest = min(map(outside, places))
    return [pitch for pitch in places if outside(pitch) == fewest]


def placed(root: Name, degrees: Sequence[Degree], near: float, low: int, high: int) -> list[Pitch]:
    """A figure's pitches, each as high over the root as its degree says, the first near to `near`;
    what the range does not hold is moved by octaves."""
    choices = roots(root, degrees, low, high)
    best = min(choices, key=lambda pitch: abs(pitch.midi + degrees[0].semitones - near))
    return folded(best, degrees, low, high)


def folded(root: Pitch, degrees: Iterable[Degree], low: int, high: int) -> list[Pitch]:
    """The degrees over a root, those outside the range moved into it by octaves."""
    pitches = (readable(root.up(degree)) for degree in degrees)
    return [closest(pitch.name, pitch.midi, low, high) for pitch in pitches]


def count(cell: Cell, step: Fraction) -> int:
    """How many notes of a length fill a chord; the last may be cut short."""
    return -(-cell.span.duration // step)


def laid(cell: Cell, pitches: Sequence[Pitch], marks: Sequence[str], step: Fraction) -> list[Note]:
    """The pitches one after another, repeated for as long as the chord lasts."""
    span = cell.span
    notes = []
    for index in range(count(cell, step)):
        place = span.start + index * step
        turn = index % len(pitches)
        length = min(step, span.end - place)
        notes.append(Note(place, length, pitches[turn], mark=marks[turn]))
    return notes
