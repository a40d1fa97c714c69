"""Enclosures: a chord tone reached from its neighbours, in eighths.

Common practice: the scale tone above and the semitone below, then the target on the beat (over
Cmaj7 F D# E); the other way round; two semitones from one side; or a single neighbour.  The scale
is that of the chord which sounds with the neighbour, so that a tone above does not come before its
chord: over Fm7 the third of Bb7alt is reached from Eb.  An approach begins before the bar line
where it must, but never in a response or before the line begins: there the target comes with as
much of it as there is room for, so that the first target of a call, if it falls where the call
begins, comes alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from drillgen.chart import Span
from drillgen.drill.lines import Approach, Enclosure
from drillgen.lines.pass_context import Cell, PassContext, open_spans
from drillgen.lines.tones import Filler, beside, degree_of, readable, scale_of
from drillgen.score import Note
from drillgen.theory.pitch import Degree, Pitch, in_range

_EIGHTH = Fraction(1, 2)  # quarter notes

# Each approach: "above" is a scale's next tone, a number so many semitones over the target.
_APPROACHES: dict[Approach, tuple[str | int, ...]] = {
    "above below": ("above", -1),
    "below above": (-1, "above"),
    "double chromatic": (-2, -1),
    "double chromatic above": (2, 1),
    "from below": (-1,),
    "from above": ("above",),
}
_NUMBERS = {"root": 1, "third": 3, "fifth": 5, "seventh": 7}
_STEP = 2  # semitones: what is further from the target is no neighbour


@dataclass(frozen=True, slots=True)
class _Target:
    """A chord tone on its beat, and the pitches before it."""

    place: Fraction
    pitch: Pitch
    degree: Degree
    approach: tuple[Pitch, ...]

    @property
    def opening(self) -> Fraction:
        """Where the first note of its approach stands."""
        return self.place - _EIGHTH * len(self.approach)


def write(context: PassContext, options: Enclosure) -> list[Note]:
    """Targets, their approaches, and what fills the time between."""
    notes: list[Note] = []
    last: tuple[Cell, Degree, Pitch] | None = None
    for room in _rooms(context):
        targets: list[_Target] = []
        for place, cell in _places(context, options):
            if room.start <= place < room.end:
                degree, pitch = _aim(cell, place, last, context, options)
                last = cell, degree, pitch
                free = place - (targets[-1].place + _EIGHTH if targets else room.start)
                approach = _approach(cell, place, pitch, context, options)
                kept = approach[max(len(approach) - free // _EIGHTH, 0) :]
                targets.append(_Target(place, pitch, degree, kept))
        notes += _sounded(targets, room, context, options)
    return notes


def _rooms(context: PassContext) -> list[Span]:
    """Where the line may sound without a break: neighbouring chords within a call."""
    rooms: list[Span] = []
    for span in open_spans(context.bars, context.begin):
        for cell in context.cells:
            start, end = max(cell.span.start, span.start), min(cell.span.end, span.end)
            if start >= end:
                continue
            if rooms and rooms[-1].end == start:
                start = rooms.pop().start
            rooms.append(Span(start, end - start, None))
    return rooms


def _places(context: PassContext, options: Enclosure) -> Iterator[tuple[Fraction, Cell]]:
    """Where targets fall, and the chord there."""
    for cell in context.cells:
        if not options.beats:
            yield cell.span.start, cell
        for beat in options.beats:
            place = cell.bar_start + (beat - 1) * context.beat
            if cell.span.start <= place < cell.span.end:
                yield place, cell


def _aim(
    cell: Cell,
    place: Fraction,
    last: tuple[Cell, Degree, Pitch] | None,
    context: PassContext,
    options: Enclosure,
) -> tuple[Degree, Pitch]:
    """The target: close to the last one, but half-way back to where the line began."""
    near = (last[2].midi + context.near) / 2 if last else context.near
    degrees = _degrees(cell, last, options)
    if len(degrees) > 1 and last:
        near = last[2].midi  # the thread of guide tones, in every key the same
        degrees = (min(degrees, key=lambda each: _step(cell, each, last[2])),)
    choices = [
        (degree, pitch)
        for degree in degrees
        for pitch in _reachable(cell, place, degree, context, options)
    ]
    return min(choices, key=lambda choice: (abs(choice[1].midi - near), choice[1].midi))


def _step(cell: Cell, degree: Degree, last: Pitch) -> tuple[int, int]:
    """How far a tone is from the last one in whichever octave is nearest, and how high there."""
    key = Pitch.near(cell.chord.root.above(degree), last.midi).midi
    return abs(key - last.midi), key


def _degrees(
    cell: Cell, last: tuple[Cell, Degree, Pitch] | None, options: Enclosure
) -> tuple[Degree, ...]:
    """What may be aimed at.  Guide tones begin on the third, go to the other one where the chord
    stays, and to the nearer one where it changes."""
    chord = cell.chord
    if options.target != "guide tones":
        return (degree_of(chord, cell.key, _NUMBERS[options.target]),)
    if last is None:
        return chord.guide_tones[:1]
    if last[0].chord == chord:
        return tuple(degree for degree in chord.guide_tones if degree != last[1])
    return chord.guide_tones


def _reachable(
    cell: Cell, place: Fraction, degree: Degree, context: PassContext, options: Enclosure
) -> list[Pitch]:
    """The tone in each octave of the range; those whose whole approach lies in it, if any does."""
    name = cell.chord.root.above(degree)
    inside = [readable(pitch) for pitch in in_range(name, context.low, context.high)]
    whole = len(_APPROACHES[options.approach])
    best = [
        pitch for pitch in inside if len(_approach(cell, place, pitch, context, options)) == whole
    ]
    return best or inside


def _approach(
    cell: Cell, place: Fraction, target: Pitch, context: PassContext, options: Enclosure
) -> tuple[Pitch, ...]:
    """The notes before a target, without those that the range does not hold."""
    moves = _APPROACHES[options.approach]
    found = [
        _above((_sounding(place - _EIGHTH * left, context) or cell, cell), target, context, options)
        if isinstance(move, str)
        else beside(target, move)
        for left, move in zip(range(len(moves), 0, -1), moves, strict=True)
    ]
    return tuple(pitch for pitch in found if context.low <= pitch.midi <= context.high)


def _sounding(place: Fraction, context: PassContext) -> Cell | None:
    """The chord at a place, if there is one."""
    cells = (cell for cell in context.cells if cell.span.start <= place < cell.span.end)
    return next(cells, None)


def _above(
    cells: tuple[Cell, Cell], target: Pitch, context: PassContext, options: Enclosure
) -> Pitch:
    """The next tone over the target in the scale of the chord that sounds; where that is no step,
    in the scale of the target's own chord."""
    nearest = [_next(cell, target, context, options) for cell in cells]
    steps = (pitch for pitch in nearest if pitch.midi - target.midi <= _STEP)
    return readable(next(steps, nearest[0]))


def _next(cell: Cell, target: Pitch, context: PassContext, options: Enclosure) -> Pitch:
    scale = scale_of(cell.chord, cell.key, context.home, options.scales)
    names = scale.names(cell.chord.root)
    higher = [
        pitch for name in names for pitch in in_range(name, target.midi + 1, target.midi + 12)
    ]
    return min(higher, key=lambda pitch: pitch.midi)


def _sounded(
    targets: list[_Target], room: Span, context: PassContext, options: Enclosure
) -> Iterator[Note]:
    """Everything that sounds in one room, in order."""
    filler = Filler(context)
    if targets and options.fill == "chord tones":
        yield from filler.lead_in(room.start, targets[0].opening, _first(targets[0]))
    for target, following in pairwise([*targets, None]):
        assert target is not None  # only the last `following` is None
        for index, pitch in enumerate(target.approach):
            place = target.opening + index * _EIGHTH
            yield Note(place, _EIGHTH, pitch, mark="approach")
        until = following.opening if following else room.end
        length = until - target.place
        if options.fill == "rest":
            length = min(length, context.beat)
        elif options.fill == "chord tones":
            length = min(length, _EIGHTH)
        yield Note(target.place, length, target.pitch, mark=str(target.degree))
        if options.fill == "chord tones":
            aim = _first(following) if following else target.pitch
            yield from filler.between(target.pitch, target.place + length, until, aim)


def _first(target: _Target) -> Pitch:
    return (*target.approach, target.pitch)[0]
