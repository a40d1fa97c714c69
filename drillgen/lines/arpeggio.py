"""Arpeggios: the tones of each chord in a stated order.

The order is written in degrees, each as high over the root as its number (1 3 5 7, 7 5 3 1,
3 5 7 9, 5 1 3 7; 8 is the upper root); each takes the chord's own third, fifth and so on.  A degree
that the chord lacks is taken from its chord scale, so 1 3 5 7 works over a triad; a suspended
chord's fourth (or second) stands for its third.
"""

from __future__ import annotations

from drillgen.drill.lines import Arpeggio
from drillgen.lines.figures import folded, laid, placed, roots
from drillgen.lines.scale_tones import degree_of
from drillgen.lines.stretch import Stretch, note_length
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Pitch, in_range

KIND = "arpeggio"
_FOLDED = 2  # what a folded tone costs, in semitones of distance to the last note


def write(stretch: Stretch, options: Arpeggio) -> list[Note]:
    """Each chord's arpeggio from its start, repeated for as long as the chord lasts."""
    step = note_length(options.note, stretch.beat)
    order = inverted(options.order, options.inversion)
    notes: list[Note] = []
    for index, cell in enumerate(stretch.cells):
        answers = options.direction == "alternating" and index % 2 == 1
        falls = options.direction == "down" or answers
        degrees = [
            degree_of(cell.chord, cell.key, number) for number in (order[::-1] if falls else order)
        ]
        if options.connect and notes:
            degrees, pitches = _joined(cell.chord, degrees, notes[-1].pitch.midi, stretch)
        else:
            # A falling answer to a rising chord begins where that one ended.
            near = notes[-1].pitch.midi if answers else stretch.near
            pitches = placed(cell.chord.root, degrees, near, stretch.low, stretch.high)
        notes += laid(cell, pitches, [str(degree) for degree in degrees], step)
    return notes


def inverted(order: tuple[int, ...], inversion: int) -> tuple[int, ...]:
    """The same shape from higher tones of the figure: 1 3 5 7 becomes 3 5 7 8, then 5 7 8 10."""
    ladder = sorted({number + 7 * octave for number in order for octave in range(inversion + 1)})
    return tuple(ladder[ladder.index(number) + inversion] for number in order)


def _joined(
    chord: Chord, degrees: list[Degree], last: int, stretch: Stretch
) -> tuple[list[Degree], list[Pitch]]:
    """The figure turned to begin with the tone nearest to the last note."""
    root, first = _nearest(chord, degrees, last, stretch)
    turned = degrees[first:] + degrees[:first]
    return turned, folded(root, turned, stretch.low, stretch.high)


def _nearest(chord: Chord, degrees: list[Degree], last: int, stretch: Stretch) -> tuple[Pitch, int]:
    """The root and the tone to begin with that lie nearest to the last note, the fewest tones
    having to be folded back into the range."""

    def cost(root: Pitch, first: int) -> int:
        keys = [root.up(degree).midi for degree in degrees]
        outside = sum(not stretch.low <= key <= stretch.high for key in keys)
        return abs(keys[first] - last) + _FOLDED * outside

    highest = max(degree.semitones for degree in degrees)
    places = [
        (root, first)
        for root in in_range(chord.root, stretch.low - highest, stretch.high)
        for first, degree in enumerate(degrees)
        if stretch.low <= root.up(degree).midi <= stretch.high
    ]
    fallback = roots(chord.root, degrees, stretch.low, stretch.high)[0], 0
    return min(places, key=lambda place: cost(*place), default=fallback)
