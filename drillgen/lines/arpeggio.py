"""Arpeggios: the tones of each chord in a stated order.

The order is written in degrees, each as high over the root as its number (1 3 5 7, 7 5 3 1,
3 5 7 9, 5 1 3 7; 8 is the upper root); each takes the chord's own third, fifth and so on.  A degree
that the chord lacks is taken from its chord scale, so 1 3 5 7 works over a triad; a suspended
chord's fourth (or second) stands for its third.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeVar

from drillgen.drill.lines import Arpeggio
from drillgen.lines.pass_context import PassContext, closest, note_length
from drillgen.lines.tones import degree_of, laid, placed, readable
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Pitch, in_range

_Tone = TypeVar("_Tone", Degree, Pitch)
_TWO_OCTAVES = 24  # semitones: no figure is wider
_BACKWARDS = 2  # what it costs to play the figure backwards, in semitones to the last note
_FOLDED = 12  # what a folded tone costs, in semitones of distance to the last note


def write(context: PassContext, options: Arpeggio) -> list[Note]:
    """Each chord's arpeggio from its start, repeated for as long as the chord lasts, or played
    there and back where it is connected."""
    step = note_length(options.note, context.beat)
    order = inverted(options.order, options.inversion)
    notes: list[Note] = []
    for index, cell in enumerate(context.cells):
        answers = options.direction == "alternating" and index % 2 == 1
        falls = options.direction == "down" or answers
        degrees = [
            degree_of(cell.chord, cell.key, number) for number in (order[::-1] if falls else order)
        ]
        if options.connect and notes:
            degrees, pitches = _joined(cell.chord, degrees, notes[-1].pitch.midi, context)
        else:
            # A falling answer to a rising chord begins where that one ended.
            near = notes[-1].pitch.midi if answers else context.near
            pitches = placed(cell.chord.root, degrees, near, context.low, context.high)
        if options.connect:
            degrees, pitches = _there_and_back(degrees), _there_and_back(pitches)
        notes += laid(cell, pitches, [str(degree) for degree in degrees], step)
    return notes


def _there_and_back(figure: list[_Tone]) -> list[_Tone]:
    """So that a connected figure that is repeated goes on without a leap: 1 3 5 7 5 3."""
    return figure + figure[-2:0:-1]


def inverted(order: tuple[int, ...], inversion: int) -> tuple[int, ...]:
    """The same shape from higher tones of the figure: 1 3 5 7 becomes 3 5 7 8, then 5 7 8 10."""
    ladder = sorted({number + 7 * octave for number in order for octave in range(inversion + 1)})
    return tuple(ladder[ladder.index(number) + inversion] for number in order)


def _joined(
    chord: Chord, degrees: list[Degree], last: int, context: PassContext
) -> tuple[list[Degree], list[Pitch]]:
    """The figure turned to begin with the tone nearest to the last note, going on in its own
    direction (5 7 8 10 of a rising 1 3 5 7), or backwards where the range ends."""
    found = [
        (_cost(pitches, last, context) + price, index, tones, pitches)
        for index, (price, tones, pitches) in enumerate(_turns(chord, degrees, context))
    ]
    _, _, tones, pitches = min(found, key=lambda each: each[:2])
    return tones, [closest(p.name, p.midi, context.low, context.high) for p in pitches]


def _cost(pitches: list[Pitch], last: int, context: PassContext) -> int:
    outside = sum(not context.low <= pitch.midi <= context.high for pitch in pitches)
    return abs(pitches[0].midi - last) + _FOLDED * outside


def _turns(
    chord: Chord, degrees: list[Degree], context: PassContext
) -> Iterator[tuple[int, list[Degree], list[Pitch]]]:
    """Every way to begin the figure on one of its tones: what it costs by itself, its degrees and
    its pitches, some of them outside the range."""
    places = in_range(chord.root, context.low - _TWO_OCTAVES, context.high + _TWO_OCTAVES)
    for order, price in ((degrees, 0), (degrees[::-1], _BACKWARDS)):
        for first in range(len(order)):
            tones = order[first:] + order[:first]
            yield from ((price, tones, _turned(order, root, first)) for root in places)


def _turned(degrees: list[Degree], root: Pitch, first: int) -> list[Pitch]:
    """A figure from one of its tones on; what came before that goes on above or below the rest."""
    onward = 1 if degrees[-1].semitones > degrees[0].semitones else -1
    later = [root.up(degree).octaves(onward) for degree in degrees[:first]]
    return [readable(pitch) for pitch in (*map(root.up, degrees[first:]), *later)]
