"""Kinds of line that take each chord by itself: roots and arpeggios."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from drillgen.drill.lines import Arpeggio, Roots
from drillgen.lines.joining import ChordFigure, chosen, joints, kept, led_on, placed
from drillgen.lines.pass_context import Cell, PassContext, note_length
from drillgen.lines.tones import count, degree_of, filled, laid
from drillgen.score import Note
from drillgen.theory.pitch import Degree

# Roots: the root (or the bass of a slash chord) of each chord, held for its length.


def roots(context: PassContext, options: Roots) -> list[Note]:
    """One note a chord, each close to the one before."""
    notes: list[Note] = []
    near = context.near
    for cell in context.cells:
        pitch = context.closest(cell.chord.bass_name, near)
        # Half-way back to where the line began, so that a cycle of fourths does not climb away.
        near = (pitch.midi + context.near) // 2
        notes.append(Note(cell.span.start, cell.span.duration, pitch, mark="1"))
    return notes


# Arpeggios: the tones of each chord in a stated order.
#
# The order is written in degrees, each as high over the root as its number (1 3 5 7, 7 5 3 1, 3 5 7
# 9, 5 1 3 7; 8 is the upper root); each takes the chord's own third, fifth and so on. A degree that
# the chord lacks is taken from its chord scale, so 1 3 5 7 works over a triad; a suspended chord's
# fourth (or second) stands for its third.
#
# Over a longer chord the figure goes there and back; when it has been played once, its last note or
# two may be other tones of the chord, which lead on by a step, and so may the last one of an order
# that there is no time for. Connected, it is turned to begin with the tone that the last note leads
# to.

_BACKWARDS = 2.0  # what it costs to play a connected figure backwards
_PLAIN = (1, 3, 5, 7)
_OCTAVE = 7  # degrees
_Turn = tuple[tuple[Degree, ...], float]  # a figure, and what it costs to play it so


def arpeggio(context: PassContext, options: Arpeggio) -> list[Note]:
    """Each chord's arpeggio from its start, for as long as the chord lasts."""
    length = note_length(options.note, context.beat)
    order = inverted(options.order, options.inversion)
    if not context.cells:
        return []
    choices = []
    led = [joint == "change" for joint in joints(context)]
    for index, (cell, leads_on) in enumerate(zip(context.cells, [*led[1:], False], strict=True)):
        answers = options.direction == "alternating" and index % 2 == 1
        falls = options.direction == "down" or answers
        degrees = [degree_of(cell, number) for number in (order[::-1] if falls else order)]
        turns = _turns(degrees) if options.connect and index else [(tuple(degrees), 0.0)]
        found = _figures(cell, turns, count(cell, length), context, leads_on=leads_on)
        choices.append(list(found))
    notes: list[Note] = []
    for cell, figure in zip(context.cells, chosen(choices, context), strict=True):
        notes += laid(cell, figure.pitches, [str(degree) for degree in figure.degrees], length)
    return notes


def inverted(order: tuple[int, ...], inversion: int) -> tuple[int, ...]:
    """The same shape from higher tones of the figure: 1 3 5 7 becomes 3 5 7 8, then 5 7 8 10."""
    ladder = sorted({number + 7 * octave for number in order for octave in range(inversion + 1)})
    return tuple(ladder[ladder.index(number) + inversion] for number in order)


def _figures(
    cell: Cell, turns: Iterable[_Turn], total: int, context: PassContext, *, leads_on: bool
) -> Iterator[ChordFigure]:
    """What may be played over a chord: the figure, each way that it may be turned, in each octave,
    and where this leads to another chord with other last notes."""
    for order, price in turns:
        whole = filled(order, total)
        yield from placed(cell.chord.root, whole, context, price)
        tones = {*order, *(degree_of(cell, number) for number in _PLAIN)}
        ends = sorted(tones, key=lambda tone: tone.semitones)
        for other, cost in led_on(whole, kept(order, total), ends) if leads_on else ():
            yield from placed(cell.chord.root, other, context, price + cost)


def _turns(degrees: Sequence[Degree]) -> Iterator[_Turn]:
    """Every way to begin a figure on one of its tones and go on in its direction (5 7 8 10 of a
    rising 1 3 5 7), and backwards, each with what it costs."""
    for order, price in ((degrees, 0.0), (degrees[::-1], _BACKWARDS)):
        onward = 1 if order[-1].semitones > order[0].semitones else -1
        for first in range(len(order)):
            later = (_moved(degree, onward) for degree in order[:first])
            yield (*order[first:], *later), price


def _moved(degree: Degree, octaves: int) -> Degree:
    return Degree(degree.number + _OCTAVE * octaves, degree.alter)
