"""Enclosures: a chord tone reached from its neighbours, in eighths.

Common practice: the scale tone above and the semitone below, then the target on the beat (over
Cmaj7 F D# E); the other way round; two semitones from one side or from both; or a single neighbour.
Delayed, the last neighbour stands on the beat and leans on the target after it.  The scale is that
of the chord which sounds with the neighbour, so that a tone above does not come before its chord:
over Fm7 the third of Bb7alt is reached from Eb.  An approach begins before the bar line where it
must, but in a response or before the line begins only as a pick-up, if one was asked for: else the
target comes with as much of it as there is room for, so that the first target of a call, if it
falls where the call begins, comes alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from quicktions import Fraction

from drillgen.chart import Span
from drillgen.drill.lines import APPROACHES, Enclosure
from drillgen.lines.pass_context import (
    Cell,
    Filler,
    PassContext,
    beside,
    degree_of,
    heard_tones,
    mark_of,
    open_spans,
    readable,
    scale_in,
)
from drillgen.score import Note
from drillgen.theory.pitch import Degree, Pitch, in_range

_EIGHTH = Fraction(1, 2)  # quarter notes
_NUMBERS = {"root": 1, "third": 3, "fifth": 5, "seventh": 7}
_STEP = 2  # semitones: what is further from the target is no neighbour
_AWAY = 0.3  # each semitone away from where the line began, in semitones of the way to a target
_UNHEARD = 0.2  # … and of the way through a response


def write(context: PassContext, options: Enclosure) -> list[Note]:
    """Targets, their approaches, and what fills the time between."""
    lead = Fraction(0) if context.begin else options.lead(context.beat)
    aims = _Aiming(context, options).aims()
    notes: list[Note] = []
    for room in _rooms(context, lead):
        inside = [aim for aim in aims if room.start <= aim.place < room.end]
        targets = list(_targets(inside, room))
        notes += _sounded(targets, room, lead, context, options)
    return notes


# What is aimed at.


class _Place(NamedTuple):
    """A tone to be aimed at over a chord, in no octave yet."""

    place: Fraction
    cell: Cell
    degree: Degree


class _Aim(NamedTuple):
    """A chord tone in its octave, and the pitches before it."""

    place: Fraction
    pitch: Pitch
    degree: Degree
    approach: tuple[Pitch, ...]

    @property
    def opening(self) -> Fraction:
        """Where the first note of its approach stands."""
        return self.place - _EIGHTH * len(self.approach)

    @property
    def phrase(self) -> tuple[Pitch, ...]:
        return (*self.approach, self.pitch)


_Way = tuple[float, tuple[_Aim, ...]]


@dataclass(frozen=True, slots=True)
class _Aiming:
    """Finds the targets of a pass and how they are approached."""

    context: PassContext
    options: Enclosure

    def aims(self) -> list[_Aim]:
        """Every target in the octave to which the way from the one before is shortest, over the
        whole pass, and not far from where the line began (dynamic programming)."""
        ways: list[_Way] = [(0.0, ())]
        for place in self.places():
            choices = [self._aim(place, pitch) for pitch in self._reachable(place)]
            ways = [self._cheapest(ways, aim) for aim in choices]
        return list(min(ways, key=lambda way: way[0])[1])

    def _cheapest(self, ways: Sequence[_Way], aim: _Aim) -> _Way:
        def onward(path: tuple[_Aim, ...]) -> float:
            if not path:
                return abs(aim.pitch.midi - self.context.near)
            way = abs(aim.phrase[0].midi - path[-1].pitch.midi)
            return way if self._are_heard_together(path[-1], aim) else way * _UNHEARD

        away = _AWAY * abs(aim.pitch.midi - self.context.near)
        cost, path = min(
            ((cost + onward(path), path) for cost, path in ways), key=lambda way: way[0]
        )
        return cost + away, (*path, aim)

    def _are_heard_together(self, one: _Aim, other: _Aim) -> bool:
        spans = open_spans(self.context.bars)
        return any(span.start <= one.place and other.place < span.end for span in spans)

    def places(self) -> Iterator[_Place]:
        """Where targets fall, and which tones they are.  Guide tones begin on the third, go to the
        other one where the chord stays, and to the nearer one where it changes."""
        last: tuple[Cell, Degree, Pitch] | None = None
        for place, cell in self._beats():
            degrees = self._degrees(cell, last)
            near = last[2].midi if last else self.context.near
            degree = min(degrees, key=lambda each, c=cell, n=near: _step(c, each, n))  # type: ignore[misc]
            last = cell, degree, Pitch.near(cell.chord.root.above(degree), near)
            yield _Place(place, cell, degree)

    def _beats(self) -> Iterator[tuple[Fraction, Cell]]:
        late = _EIGHTH if self.options.delayed else Fraction(0)
        for cell in self.context.cells:
            if not self.options.beats:
                yield cell.span.start + late, cell
            for beat in self.options.beats:
                place = cell.bar_start + (beat - 1) * self.context.beat
                if cell.span.start <= place < cell.span.end:
                    yield place + late, cell

    def _degrees(self, cell: Cell, last: tuple[Cell, Degree, Pitch] | None) -> tuple[Degree, ...]:
        if self.options.target != "guide tones":
            return (degree_of(cell, _NUMBERS[self.options.target]),)
        third, seventh = heard_tones(cell)
        if last is None or seventh is None:
            return (third,)
        if last[0].chord == cell.chord:
            return tuple(degree for degree in (third, seventh) if degree != last[1])
        return third, seventh

    def _aim(self, place: _Place, pitch: Pitch) -> _Aim:
        return _Aim(place.place, pitch, place.degree, self.approach(place, pitch))

    def _reachable(self, place: _Place) -> list[Pitch]:
        """The tone in each octave of the range; those whose whole approach lies in it, if any."""
        name = place.cell.chord.root.above(place.degree)
        inside = [readable(each) for each in in_range(name, self.context.low, self.context.high)]
        whole = len(APPROACHES[self.options.approach])
        return [each for each in inside if len(self.approach(place, each)) == whole] or inside

    def approach(self, place: _Place, target: Pitch) -> tuple[Pitch, ...]:
        """The notes before a target, without those that the range does not hold."""
        moves = APPROACHES[self.options.approach]
        found = [
            self._above(place.cell, place.place - _EIGHTH * left, target)
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


def _step(cell: Cell, degree: Degree, near: int) -> tuple[int, int]:
    """How far a tone is from a MIDI key in whichever octave is nearest, and how high there."""
    key = Pitch.near(cell.chord.root.above(degree), near).midi
    return abs(key - near), key


# What sounds.


def _rooms(context: PassContext, lead: Fraction) -> list[Span]:
    """Where the line may sound without a break: neighbouring chords within a call, and a pick-up
    before it."""
    rooms: list[Span] = []
    for span in open_spans(context.bars, context.begin):
        first = True
        for cell in context.cells:
            start, end = max(cell.span.start, span.start), min(cell.span.end, span.end)
            if start >= end:
                continue
            if first and start == span.start:
                start -= lead
            elif rooms and rooms[-1].end == start:
                start = rooms.pop().start
            rooms.append(Span(start, end - start, None))
            first = False
    return rooms


def _targets(aims: Sequence[_Aim], room: Span) -> Iterator[_Aim]:
    """Each with as much of its approach as there is room for; of one neighbour the other one, where
    the same tone was just reached from the first."""
    last: _Aim | None = None
    for aim in aims:
        free = aim.place - (last.place + _EIGHTH if last else room.start)
        kept = aim.approach[max(len(aim.approach) - free // _EIGHTH, 0) :]
        if last is not None and last.phrase == (*kept, aim.pitch) and len(kept) == 1:
            others = [each for each in aim.approach if each.midi != kept[0].midi]
            kept = (*others, *kept)[:1]
        last = aim._replace(approach=kept)
        yield last


def _sounded(
    targets: list[_Aim], room: Span, lead: Fraction, context: PassContext, options: Enclosure
) -> Iterator[Note]:
    """Everything that sounds in one room, in order."""
    filler = Filler(context)
    if targets and options.fill == "chord tones":
        yield from filler.lead_in(room.start + lead, targets[0].opening, targets[0].phrase)
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
        yield Note(target.place, length, target.pitch, mark=mark_of(target.degree))
        if options.fill == "chord tones":
            aim = following.phrase if following else (target.pitch,)
            yield from filler.between(target.phrase, target.place + length, until, aim)
