"""How a line goes from chord to chord.

Figures, one over each chord, are joined by looking ahead: the octave and the ending of each.

Common practice: a line goes into the next chord by a step; a tone in common is as good a bond but
says less; a third is heard as a new beginning, and more than a fifth as a break.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Literal

from drillgen.lines.pass_context import PassContext, folded, open_spans, outside, roots
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Name, Pitch

# What a change costs by its semitones, up to so many; beyond, _BREAK and the semitones.
_CHANGES = ((0, 2.0), (2, 0.0), (4, 8.0), (6, 9.0), (7, 18.0))
_BREAK = 24.0
_BEGINS_AGAIN = 0.1  # of that, where the same chord is begun again within a sixth
_FURTHER_AGAIN = 0.4  # … and by more than that
_STRUCK_AGAIN = 1.5  # … on the same note: rather on another one close by
_OUTSIDE = 60.0  # each note that the range does not hold where it should lie
_AWAY = 0.05  # each semitone of a figure's middle away from where the line began
_BEGINS_AWAY = 0.2  # each semitone of the first note
_TORN = 4.0  # … from the last note, beyond an octave, where a pass goes on without a gap
_AWAY_AT_THE_END = 3.0  # … and of a last note that the next key would have to leap from
_UNRESOLVED = 40.0  # a passing note at the end that does not move on by a step as it came


# Whether a chord follows another in the same call, is the same again, begins a pass that follows
# another one without a gap, or comes after a response.
Joint = Literal["change", "same chord", "next pass", "apart"]


@dataclass(frozen=True, slots=True)
class ChordFigure:
    """What may be played over a chord, note by note."""

    degrees: tuple[Degree, ...]
    pitches: tuple[Pitch, ...]
    # The MIDI keys of its first and last note, of its lowest and highest, and their mean.
    first: int
    last: int
    lowest: int
    highest: int
    middle: float
    price: float  # what it costs by itself
    leads: int = 0  # 1 or -1: the last note is a passing one that must go on up or down

    def lies(self, low: int, high: int) -> bool:
        """Whether all of it is within two MIDI keys."""
        return low <= self.lowest and self.highest <= high


_Joined = tuple[float, tuple[ChordFigure, ...]]  # what it costs, and its figures so far


def placed(
    root: Name,
    degrees: Sequence[Degree],
    context: PassContext,
    price: float = 0.0,
    leads: int = 0,
) -> Iterator[ChordFigure]:
    """The degrees in every octave in which the range holds all of them; where it holds them in
    none, those that hold the most, the rest moved by octaves."""
    whole = tuple(degrees)
    for pitches, places, out in _octaves(root, whole, context.low, context.high):
        yield ChordFigure(whole, pitches, *places, price + _OUTSIDE * out, leads)


_Places = tuple[int, int, int, int, float]  # MIDI keys: first, last, lowest, highest, mean


@lru_cache(maxsize=1 << 14)
def _octaves(
    root: Name, degrees: tuple[Degree, ...], low: int, high: int
) -> tuple[tuple[tuple[Pitch, ...], _Places, int], ...]:
    """Their pitches and places over each root, and how many lie outside the range."""
    found = roots(root, degrees, low, high)
    out = outside(found[0], degrees, low, high) if found else 0
    laid = []
    for lowest in found:
        pitches = tuple(folded(lowest, degrees, low, high))
        keys = [pitch.midi for pitch in pitches]
        places = keys[0], keys[-1], min(keys), max(keys), sum(keys) / len(keys)
        laid.append((pitches, places, out))
    return tuple(laid)


_ANOTHER, _OTHER_TWO = 3.0, 5.0  # another last note than a figure's own, or other two
_SKIP = 5  # semitones to another last note
_WIDER = 0.3  # what each costs beyond a step


def led_on(
    whole: Sequence[Degree], kept: int, tones: Sequence[Degree]
) -> Iterator[tuple[Sequence[Degree], float]]:
    """A figure with other tones for its last note or two, of which the first `kept`
    stay; with what each costs, a skip more than a step."""
    near = [tone.octaves(octaves) for tone in tones for octaves in (-2, -1, 0, 1)]
    if kept < len(whole) and len(whole) > 1:
        for last in _near(near, whole[-2], but=(whole[-1], *whole[-3:-2])):
            yield [*whole[:-1], last], _ANOTHER + _skipped(whole[-2], last)
    if kept < len(whole) - 1 and len(whole) > 2:
        for other in _near(near, whole[-3], but=(whole[-2],)):
            for last in _near(near, other, but=(whole[-3],)):
                skipped = _skipped(whole[-3], other) + _skipped(other, last)
                yield [*whole[:-2], other, last], _OTHER_TWO + skipped


# To go on an octave lower or higher inside a broken chord, where it would leap into the next chord
# otherwise: more than a change by a fourth costs, less than a break, and more from the third note
# on, where it is heard as one.  What each semitone beyond a major sixth adds.
_DISPLACED, _LATER, _BEYOND_A_SIXTH = 12.0, 10.0, 4.0
_SIXTH = 9  # semitones


def displaced(whole: Sequence[Degree]) -> Iterator[tuple[Sequence[Degree], float]]:
    """A figure that goes on an octave lower or higher from one of its notes, rather from the
    second, with what each costs: 1 and then 3 5 7 below it (octave displacement, common practice).
    """
    for index in range(1, len(whole)):
        for octave in (-1, 1):
            rest = [degree.octaves(octave) for degree in whole[index:]]
            leap = abs(rest[0].semitones - whole[index - 1].semitones)
            if leap < _OCTAVE:
                beyond = _BEYOND_A_SIXTH * max(leap - _SIXTH, 0)
                yield [*whole[:index], *rest], _DISPLACED + _LATER * (index > 1) + beyond


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


_OCTAVE, _STEP, _NEAREST = 12, 2, 6  # semitones
# Semitones of the range that a line leaves free, so that it fits there in every key, or in most.
_SPARED = (11, 8, 5, 2)
# In prices of figures: to play them as they are is worth more than the same in each key.
_MUCH = 10.0
_SINGING = 0.6  # where in its part of the range a line begins: a little above the middle

Choices = Sequence[Sequence[ChordFigure]]  # for each chord of the pass


def chosen(choices: Choices, context: PassContext, *, turns: bool = False) -> list[ChordFigure]:
    """One figure a chord, whose last note leads to the next one's first.

    In every key it is the same line: the best one in a part of the range that moves with the tonic;
    where a wider part (if figures may be turned round, which keys should have alike) or the whole
    range has one that is resolved better, or as well with more figures as they are, that one.  It
    is not torn where one pass goes on into the next, in another octave if need be.
    """
    if not choices:
        return []
    joined, last = list(joints(context)), _last(context)
    back = _AWAY_AT_THE_END if turns and _goes_on(context) else 0.0
    search = _Search(choices, joined, context, last, back)
    found = None
    for spared in _SPARED if turns else _SPARED[:1]:
        wider = min(search.in_the_key(spared), key=_cost, default=None)
        if wider is not None and (found is None or search.is_better(wider, found)):
            found = wider
    whole = search.best(choices, context.near)
    if found is None or search.is_better(whole, found):
        found = whole
    return list(found[1])


def _cost(way: _Joined) -> float:
    return way[0]


@dataclass(frozen=True, slots=True)
class _Search:
    """For the best line through a pass."""

    choices: Choices
    joined: Sequence[Joint]
    context: PassContext
    last: int | None  # the note of the pass before that the line goes on from without a gap
    back: float  # what each semitone costs that the next pass would have to leap

    def is_better(self, one: _Joined, other: _Joined) -> bool:
        """Whether a line leaps less often into a chord than another, goes there by step more
        often, or does both as well and changes its figures much less."""
        joints, others = (self._unjoined(way[1]) for way in (one, other))
        prices = [sum(figure.price for figure in way[1]) for way in (one, other)]
        return joints < others or (joints == others and prices[0] < prices[1] - _MUCH)

    def _unjoined(self, figures: Sequence[ChordFigure]) -> tuple[int, int]:
        """How many go into another chord so far that its other octave would be nearer, or on from
        the pass before by more than an octave; and how many into a chord by more than a step."""
        pairs = zip(pairwise(figures), self.joined[1:], strict=True)
        moves = [abs(b.first - a.last) for (a, b), joint in pairs if joint == "change"]
        torn = self._beyond_an_octave(figures[0].first) > 0
        return torn + sum(move > _NEAREST for move in moves), sum(move > _STEP for move in moves)

    def _beyond_an_octave(self, first: int) -> int:
        return 0 if self.last is None else max(abs(first - self.last) - _OCTAVE, 0)

    def in_the_key(self, spared: int) -> Iterator[_Joined]:
        """The best line in each part of the range that spares so many semitones of it; where it
        spares as many as there are keys, every key has each of them, in the same order, seen from
        its tonic."""
        context = self.context
        width = context.high - context.low - spared
        tonic = context.cells[0].key.tonic.pitch_class
        for below in range(_OCTAVE if width >= _OCTAVE - 1 else 0):
            low = context.low + (tonic - below - context.low) % _OCTAVE
            if low + width > context.high:
                continue
            inside = [[f for f in figures if f.lies(low, low + width)] for figures in self.choices]
            if all(inside):
                yield self.best(inside, low + round(_SINGING * width))

    def best(self, choices: Choices, near: int) -> _Joined:
        """The cheapest way through the pass, with what it costs (dynamic programming)."""
        ways: dict[int, _Joined] = {}
        for figures, joint in zip(choices, self.joined, strict=True):
            ways = self._onward(ways, figures, joint, near)
        return min(((cost + self.back * _away(way), way) for cost, way in ways.values()), key=_cost)

    def _onward(
        self, ways: dict[int, _Joined], figures: Iterable[ChordFigure], joint: Joint, near: int
    ) -> dict[int, _Joined]:
        """The cheapest way to each last note (and what it leads to) of the next chord."""
        entries: dict[int, _Joined] = {}
        best: dict[int, _Joined] = {}
        for figure in figures:
            if figure.first not in entries:
                entries[figure.first] = self._entry(ways, figure.first, joint, near)
            cost, way = entries[figure.first]
            cost += figure.price + _AWAY * abs(figure.middle - near)
            end = 4 * figure.last + figure.leads
            if end not in best or cost < best[end][0]:
                best[end] = cost, (*way, figure)
        return best

    def _entry(self, ways: dict[int, _Joined], first: int, joint: Joint, near: int) -> _Joined:
        """The cheapest way so far that is followed by a note."""
        if not ways:
            torn = self._beyond_an_octave(first)
            away = _BEGINS_AWAY * abs(first - near)
            return away + (_BREAK + _TORN * torn if torn else 0.0), ()
        costs = ((cost + _change(way[-1], first, joint), way) for cost, way in ways.values())
        return min(costs, key=_cost)


def _goes_on(context: PassContext) -> bool:
    """Whether another pass follows without a gap."""
    here = context.bars[-1]
    after = (bar for bar in context.track.bars if bar.start == here.end)
    return here.role == "play" and any(bar.role == "play" and not bar.tag for bar in after)


def _away(way: Sequence[ChordFigure]) -> int:
    """Semitones beyond half an octave from where a line began to where it ends: the next key begins
    as near to this one's beginning."""
    return max(abs(way[-1].last - way[0].first) - _NEAREST, 0)


def _last(context: PassContext) -> int | None:
    """The note that a pass goes on from."""
    last = context.before[-1] if context.before else None
    goes_on = last is not None and last.start + last.duration == context.cells[0].span.start
    return last.pitch.midi if last is not None and goes_on else None


def _change(before: ChordFigure, first: int, joint: Joint) -> float:
    """What it costs to go on with a note; little where a response lies between."""
    move = first - before.last
    if joint == "apart":
        return _AWAY * abs(move)
    stuck = before.leads and not 0 < before.leads * move <= _STEP
    price = next((cost for most, cost in _CHANGES if abs(move) <= most), _BREAK + abs(move))
    if joint == "same chord":
        share = _BEGINS_AGAIN if abs(move) <= _SIXTH else _FURTHER_AGAIN
        price = price * share if move else _STRUCK_AGAIN
    return price + (_UNRESOLVED if stuck else 0.0)


def joints(context: PassContext, *, connected: bool = False) -> Iterator[Joint]:
    """How the line is heard to go into each chord from the one before; of a line that is not
    connected, each pass is begun anew."""
    calls = open_spans(context.bars)
    for before, cell in pairwise([None, *context.cells]):
        assert cell is not None  # only the first `before` is None
        start = cell.span.start
        inside = any(span.start < start < span.end for span in calls)
        if before is None and connected and _last(context) is not None:
            yield "next pass"
        elif before is None or before.span.end != start or not inside:
            yield "apart"
        else:
            yield "same chord" if before.chord == cell.chord else "change"


def said_again(context: PassContext) -> Iterator[tuple[list[int], int]]:
    """For each call the indices of its chords, and how many calls just before it were over the same
    chords."""
    before, times = list[Chord](), 0
    for call in open_spans(context.bars):
        inside = [i for i, c in enumerate(context.cells) if call.start <= c.span.start < call.end]
        chords = [context.cells[index].chord for index in inside]
        times = times + 1 if chords == before else 0
        if inside:
            yield inside, times
        before = chords


def takes_turns(context: PassContext) -> list[bool]:
    """For each chord, whether it is played the other way where chords take turns: every other one;
    and a call over the same chords as the one before begins the other way, so that it is not the
    same call again (common practice: a pattern is worked at from either end)."""
    found = [index % 2 == 1 for index in range(len(context.cells))]
    first = 0
    for inside, times in said_again(context):
        if times and found[inside[0]] == found[first]:
            for index in inside:
                found[index] = not found[index]
        first = inside[0]
    return found
