"""How figures, one over each chord, are joined: the octave and the ending of each by looking ahead.

Common practice: a line goes into the next chord by a step; a tone in common is as good a bond but
says less; a third is heard as a new beginning, and more than a fifth as a break.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from drillgen.lines.pass_context import PassContext, open_spans
from drillgen.lines.tones import folded, outside, roots
from drillgen.theory.pitch import Degree, Name, Pitch

# What a change costs by its semitones, up to so many; beyond, _BREAK and the semitones.
_CHANGES = ((0, 2.0), (2, 0.0), (4, 8.0), (7, 10.0))
_BREAK = 24.0
_BEGINS_AGAIN = 0.1  # of that, where the same chord is begun again
_OUTSIDE = 60.0  # each note that the range does not hold where it should lie
_AWAY = 0.05  # each semitone of a figure's middle away from where the line began
_BEGINS_AWAY = 0.2  # each semitone of the first note
_UNRESOLVED = 40.0  # a passing note at the end that does not move on by a step as it came
_STEP = 2  # semitones


# Whether a chord follows another in the same call, is the same again, or comes after a response.
Joint = Literal["change", "same chord", "apart"]


@dataclass(frozen=True, slots=True)
class ChordFigure:
    """What may be played over a chord, note by note."""

    degrees: tuple[Degree, ...]
    pitches: tuple[Pitch, ...]
    price: float  # what it costs by itself
    leads: int = 0  # 1 or -1: the last note is a passing one that must go on up or down

    @property
    def first(self) -> int:
        return self.pitches[0].midi

    @property
    def last(self) -> int:
        return self.pitches[-1].midi

    @property
    def middle(self) -> float:
        """The mean of its MIDI keys."""
        return sum(pitch.midi for pitch in self.pitches) / len(self.pitches)

    def lies(self, low: int, high: int) -> bool:
        """Whether all of it is within two MIDI keys."""
        return all(low <= pitch.midi <= high for pitch in self.pitches)


_Way = tuple[float, tuple[ChordFigure, ...]]  # what it costs, and its figures so far


def placed(
    root: Name, degrees: Sequence[Degree], context: PassContext, price: float = 0.0, leads: int = 0
) -> Iterator[ChordFigure]:
    """The degrees in every octave in which the range holds all of them; where it holds them in
    none, those that hold the most, the rest moved by octaves."""
    for lowest in roots(root, degrees, context.low, context.high):
        out = outside(lowest, degrees, context.low, context.high)
        pitches = tuple(folded(lowest, degrees, context))
        yield ChordFigure(tuple(degrees), pitches, price + _OUTSIDE * out, leads)


_ANOTHER, _OTHER_TWO = 3.0, 5.0  # another last note than a figure's own, or other two
_SKIP = 5  # semitones to another last note
_WIDER = 0.3  # what each costs beyond a step


def led_on(
    whole: Sequence[Degree], kept: int, tones: Sequence[Degree]
) -> Iterator[tuple[Sequence[Degree], float]]:
    """A figure with other tones for its last note or two, of which the first `kept`
    stay; with what each costs, a skip more than a step."""
    near = [_moved(tone, octaves) for tone in tones for octaves in (-2, -1, 0, 1)]
    if kept < len(whole) and len(whole) > 1:
        for last in _near(near, whole[-2], but=(whole[-1], *whole[-3:-2])):
            yield [*whole[:-1], last], _ANOTHER + _skipped(whole[-2], last)
    if kept < len(whole) - 1 and len(whole) > 2:
        for other in _near(near, whole[-3], but=(whole[-2],)):
            for last in _near(near, other, but=(whole[-3],)):
                skipped = _skipped(whole[-3], other) + _skipped(other, last)
                yield [*whole[:-2], other, last], _OTHER_TWO + skipped


def kept(order: Sequence[Degree], total: int) -> int:
    """How many of a figure's notes stay before a change: all of its order, if there is time for
    it."""
    return len(order) if total >= len(order) else 1


def _near(tones: Iterable[Degree], last: Degree, but: Sequence[Degree]) -> Iterator[Degree]:
    for tone in tones:
        if 0 < abs(tone.semitones - last.semitones) <= _SKIP and tone not in but:
            yield tone


def _skipped(one: Degree, other: Degree) -> float:
    return _WIDER * max(abs(other.semitones - one.semitones) - _STEP, 0)


def _moved(degree: Degree, octaves: int) -> Degree:
    return Degree(degree.number + 7 * octaves, degree.alter)


_AN_OCTAVE_LESS = 11  # semitones: what a range must hold beyond a line that fits it in every key
_MUCH = (
    10.0  # in prices of figures: to play them as they are is worth more than the same in each key
)
_SINGING = 0.6  # where in its part of the range a line begins: a little above the middle

Choices = Sequence[Sequence[ChordFigure]]  # for each chord of the pass


def chosen(choices: Choices, context: PassContext) -> list[ChordFigure]:
    """One figure a chord, whose last note leads to the next one's first.

    In every key it is the same line: the best one that is resolved throughout in a part of the
    range that moves with the tonic; where there is none, or the whole range allows more figures to
    be played as they are, the best one there.
    """
    if not choices:
        return []
    joined = list(joints(context))
    found = min(_in_the_key(choices, joined, context), key=lambda way: way[0], default=None)
    whole = _best(choices, joined, context.near)
    if found is None or not _is_joined(found[1], joined) or _plainer(whole, found, joined):
        found = whole
    return list(found[1])


def _plainer(one: _Way, other: _Way, joined: Sequence[Joint]) -> bool:
    """Whether a line is resolved as well as another that changes its figures much more."""
    prices = [sum(figure.price for figure in way[1]) for way in (one, other)]
    return prices[0] < prices[1] - _MUCH and _is_joined(one[1], joined)


def _in_the_key(choices: Choices, joined: Sequence[Joint], context: PassContext) -> Iterator[_Way]:
    """The best line in each part of the range that is so wide that every key has it; the parts in
    the same order in every key, seen from its tonic."""
    width = context.high - context.low - _AN_OCTAVE_LESS
    tonic = context.cells[0].key.tonic.pitch_class
    for below in range(12 if width >= _AN_OCTAVE_LESS else 0):
        low = context.low + (tonic - below - context.low) % 12
        inside = [[f for f in figures if f.lies(low, low + width)] for figures in choices]
        if all(inside):
            yield _best(inside, joined, low + round(_SINGING * width))


def _is_joined(figures: Sequence[ChordFigure], joined: Sequence[Joint]) -> bool:
    """Whether each goes into another chord by a step or on the same note."""
    moves = zip(pairwise(figures), joined[1:], strict=True)
    return all(abs(b.first - a.last) <= _STEP for (a, b), joint in moves if joint == "change")


def _best(choices: Choices, joined: Sequence[Joint], near: int) -> _Way:
    """The cheapest way through the pass, with what it costs (dynamic programming)."""
    ways: dict[int, _Way] = {}
    for figures, joint in zip(choices, joined, strict=True):
        ways = _onward(ways, figures, joint, near)
    return min(ways.values(), key=lambda way: way[0])


def _onward(
    ways: dict[int, _Way], figures: Iterable[ChordFigure], joint: Joint, near: int
) -> dict[int, _Way]:
    """The cheapest way to each last note (and what it leads to) of the next chord."""
    entries: dict[int, _Way] = {}
    best: dict[int, _Way] = {}
    for figure in figures:
        if figure.first not in entries:
            entries[figure.first] = _entry(ways, figure.first, joint, near)
        cost, way = entries[figure.first]
        cost += figure.price + _AWAY * abs(figure.middle - near)
        end = 4 * figure.last + figure.leads
        if end not in best or cost < best[end][0]:
            best[end] = cost, (*way, figure)
    return best


def _entry(ways: dict[int, _Way], first: int, joint: Joint, near: int) -> _Way:
    """The cheapest way so far that is followed by a note."""
    if not ways:
        return _BEGINS_AWAY * abs(first - near), ()
    costs = ((cost + _change(way[-1], first, joint), way) for cost, way in ways.values())
    return min(costs, key=lambda each: each[0])


def _change(before: ChordFigure, first: int, joint: Joint) -> float:
    """What it costs to go on with a note; little where a response lies between."""
    move = first - before.last
    if joint == "apart":
        return _AWAY * abs(move)
    stuck = before.leads and not 0 < before.leads * move <= _STEP
    price = next((cost for most, cost in _CHANGES if abs(move) <= most), _BREAK + abs(move))
    price *= _BEGINS_AGAIN if joint == "same chord" else 1
    return price + (_UNRESOLVED if stuck else 0.0)


def joints(context: PassContext) -> Iterator[Joint]:
    """How the line is heard to go into each chord from the one before."""
    calls = open_spans(context.bars)
    for before, cell in pairwise([None, *context.cells]):
        assert cell is not None  # only the first `before` is None
        start = cell.span.start
        inside = any(span.start < start < span.end for span in calls)
        if before is None or before.span.end != start or not inside:
            yield "apart"
        else:
            yield "same chord" if before.chord == cell.chord else "change"
