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
from typing import NamedTuple

from drillgen.chart import Span
from drillgen.drill.lines import Approach, Enclosure
from drillgen.lines.pass_context import Cell, PassContext, open_spans
from drillgen.lines.tones import Filler, beside, degree_of, readable, scale_in
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


class _Aim(NamedTuple):
    """What was aimed at over a chord."""

    cell: Cell
    degree: Degree
    pitch: Pitch


@dataclass(frozen=True, slots=True)
class _Aiming:
    """Finds the targets of a pass and how they are approached."""

    context: PassContext
    options: Enclosure

    def places(self) -> Iterator[tuple[Fraction, Cell]]:
        """Where targets fall, and the chord there."""
        for cell in self.context.cells:
            if not self.options.beats:
                yield cell.span.start, cell
            for beat in self.options.beats:
                place = cell.bar_start + (beat - 1) * self.context.beat
                if cell.span.start <= place < cell.span.end:
                    yield place, cell

    def aim(self, cell: Cell, place: Fraction, last: _Aim | None) -> _Aim:
        """The target: close to the last one, but half-way back to where the line began."""
        near = (last.pitch.midi + self.context.near) / 2 if last else self.context.near
        degrees = self._degrees(cell, last)
        if len(degrees) > 1 and last:
            near = last.pitch.midi  # the thread of guide tones, in every key the same
            degrees = (min(degrees, key=lambda each: _step(cell, each, last.pitch)),)
        choices = [
            _Aim(cell, degree, pitch)
            for degree in degrees
            for pitch in self._reachable(cell, place, degree)
        ]
        return min(choices, key=lambda each: (abs(each.pitch.midi - near), each.pitch.midi))

    def _degrees(self, cell: Cell, last: _Aim | None) -> tuple[Degree, ...]:
        """What may be aimed at.  Guide tones begin on the third, go to the other one where the
        chord stays, and to the nearer one where it changes."""
        chord = cell.chord
        if self.options.target != "guide tones":
            return (degree_of(cell, _NUMBERS[self.options.target]),)
        if last is None:
            return chord.guide_tones[:1]
        if last.cell.chord == chord:
            return tuple(degree for degree in chord.guide_tones if degree != last.degree)
        return chord.guide_tones

    def _reachable(self, cell: Cell, place: Fraction, degree: Degree) -> list[Pitch]:
        """The tone in each octave of the range; those whose whole approach lies in it, if any."""
        name = cell.chord.root.above(degree)
        inside = [readable(each) for each in in_range(name, self.context.low, self.context.high)]
        whole = len(_APPROACHES[self.options.approach])
        return [each for each in inside if len(self.approach(cell, place, each)) == whole] or inside

    def approach(self, cell: Cell, place: Fraction, target: Pitch) -> tuple[Pitch, ...]:
        """The notes before a target, without those that the range does not hold."""
        moves = _APPROACHES[self.options.approach]
        found = [
            self._above(cell, place - _EIGHTH * left, target)
            if isinstance(move, str)
            else beside(target, move)
            for left, move in zip(range(len(moves), 0, -1), moves, strict=True)
        ]
        return tuple(each for each in found if self.context.holds(each.midi))

    def _above(self, cell: Cell, place: Fraction, target: Pitch) -> Pitch:
        """The next tone over the target in the scale of the chord that sounds at a place; where
        that is no step, in the scale of the target's own chord."""
        sounding = (c for c in self.context.cells if c.span.start <= place < c.span.end)
        nearest = [self._next(each, target) for each in (next(sounding, cell), cell)]
        steps = (pitch for pitch in nearest if pitch.midi - target.midi <= _STEP)
        return readable(next(steps, nearest[0]))

    def _next(self, cell: Cell, target: Pitch) -> Pitch:
        scale = scale_in(cell, self.context, self.options.scales)
        found = (
            pitch
            for name in scale.names(cell.chord.root)
            for pitch in in_range(name, target.midi + 1, target.midi + 12)
        )
        return min(found, key=lambda pitch: pitch.midi)


def _step(cell: Cell, degree: Degree, last: Pitch) -> tuple[int, int]:
    """How far a tone is from the last one in whichever octave is nearest, and how high there."""
    key = Pitch.near(cell.chord.root.above(degree), last.midi).midi
    return abs(key - last.midi), key


def write(context: PassContext, options: Enclosure) -> list[Note]:
    """Targets, their approaches, and what fills the time between."""
    aiming = _Aiming(context, options)
    notes: list[Note] = []
    last: _Aim | None = None
    for room in _rooms(context):
        targets: list[_Target] = []
        for place, cell in aiming.places():
            if room.start <= place < room.end:
                last = aiming.aim(cell, place, last)
                free = place - (targets[-1].place + _EIGHTH if targets else room.start)
                approach = aiming.approach(cell, place, last.pitch)
                kept = approach[max(len(approach) - free // _EIGHTH, 0) :]
                targets.append(_Target(place, last.pitch, last.degree, kept))
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
