"""Arpeggios: the tones of each chord in a stated order.

The order is written in degrees, each as high over the root as its number (1 3 5 7, 7 5 3 1,
3 5 7 9, 5 1 3 7; 8 is the upper root); each takes the chord's own third, fifth and so on.
A degree that the chord lacks is taken from its chord scale, so 1 3 5 7 works over a triad.
"""

from __future__ import annotations

from fractions import Fraction

from drillgen.drill.lines import Arpeggio
from drillgen.lines.stretch import Cell, Stretch, closest
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Degree, Pitch, in_range
from drillgen.theory.scales import chord_scale

KIND = "arpeggio"
_OCTAVE = 12
_FOLDED = 2  # what a folded tone costs, in semitones of distance to the last note
_PARTS_OF_A_BEAT = {"quarter": 1, "eighth": 2, "triplet": 3}


def write(stretch: Stretch, options: Arpeggio) -> list[Note]:
    """Each chord's arpeggio from its start, repeated for as long as the chord lasts."""
    step = stretch.beat / _PARTS_OF_A_BEAT[options.note]
    notes: list[Note] = []
    for index, cell in enumerate(stretch.cells):
        falls = options.direction == "down" or (options.direction == "alternating" and index % 2)
        order = tuple(reversed(options.order)) if falls else options.order
        degrees = [degree_of(cell.chord, cell.key, number) for number in order]
        join = notes[-1].pitch.midi if options.connect and notes else None
        notes += _played(cell, _figure(cell.chord, degrees, join, stretch), step)
    return notes


def _figure(
    chord: Chord, degrees: list[Degree], join: int | None, stretch: Stretch
) -> list[tuple[Degree, Pitch]]:
    """The tones in order, each as high over the root as its degree says, inside the range.

    Where it is to join the last note, the order is turned to begin with the nearest tone.
    """
    if join is None:
        roots = _roots(chord, degrees, stretch)
        root = min(roots, key=lambda root: abs(root.up(degrees[0]).midi - stretch.near))
    else:
        root, first = _nearest(chord, degrees, join, stretch)
        degrees = degrees[first:] + degrees[:first]
    pitches = [root.up(degree) for degree in degrees]
    return [
        (degree, closest(pitch.name, pitch.midi, stretch.low, stretch.high))
        for degree, pitch in zip(degrees, pitches, strict=True)
    ]


def _nearest(chord: Chord, degrees: list[Degree], join: int, stretch: Stretch) -> tuple[Pitch, int]:
    """The root and the tone to begin with that lie nearest to the last note, the fewest tones
    having to be folded back into the range."""

    def cost(root: Pitch, first: int) -> int:
        keys = [root.up(degree).midi for degree in degrees]
        folded = sum(not stretch.low <= key <= stretch.high for key in keys)
        return abs(keys[first] - join) + _FOLDED * folded

    places = [
        (root, first)
        for root in in_range(chord.root, stretch.low - _OCTAVE, stretch.high)
        for first, degree in enumerate(degrees)
        if stretch.low <= root.up(degree).midi <= stretch.high
    ]
    return min(
        places, key=lambda place: cost(*place), default=(_roots(chord, degrees, stretch)[0], 0)
    )


def _roots(chord: Chord, degrees: list[Degree], stretch: Stretch) -> list[Pitch]:
    """Roots over which the whole figure lies in the range; the least bad one if none does."""
    lowest = min(degree.semitones for degree in degrees)
    highest = max(degree.semitones for degree in degrees)
    roots = in_range(chord.root, stretch.low - lowest, stretch.high - highest)
    return roots or [closest(chord.root, stretch.low - lowest, stretch.low - lowest, stretch.high)]


def _played(cell: Cell, figure: list[tuple[Degree, Pitch]], step: Fraction) -> list[Note]:
    span = cell.span
    count = -(-span.duration // step)
    notes = []
    for index in range(count):
        degree, pitch = figure[index % len(figure)]
        place = span.start + index * step
        notes.append(Note(place, min(step, span.end - place), pitch, mark=str(degree)))
    return notes


def degree_of(chord: Chord, key: Key, number: int) -> Degree:
    """The chord's own version of a degree, else the one of its chord scale."""
    own = chord.degree(number)
    if own is not None:
        return own
    wanted = (number - 1) % 7 + 1
    scale = {degree.number: degree for degree in chord_scale(chord, key).degrees}
    found = scale.get(wanted, Degree(wanted))
    return Degree(number, found.alter)
