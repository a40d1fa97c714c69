"""Motives: the small rhythms that phrases are made of.

Common practice: a motive has three to five notes within two or three beats; it begins on the beat
or just after it, and comes to rest on its last note, which lands on a strong beat or half a beat
before one and is held over it.

Places and lengths are whole ticks, 24 to a quarter note, counted from the call's first bar line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import exp
from random import Random
from typing import NamedTuple

from quicktions import Fraction

from drillgen.drill.line_options import DEFAULT_CELLS, RhythmCell

TICKS = 24  # a quarter note; every length that can be written is a whole number of them
EIGHTH = TICKS // 2
Onsets = tuple[int, ...]


def ticks(quarters: Fraction) -> int:
    return int(quarters * TICKS)


def quarters(ticks: int) -> Fraction:
    return Fraction(ticks, TICKS)


# The strong beats of a bar by how many it has, counted from 0 (common practice; five are felt as
# three and two).  In three the second beat, or the half before it, is where a short call can end.
_STRONG = {2: (0, 1), 3: (0, 1), 4: (0, 2), 5: (0, 3)}


@dataclass(frozen=True, slots=True)
class Time:
    """The time that a phrase has, in ticks from the start of its call."""

    begin: int
    end: int  # where its last note must have ended
    bar: int
    beat: int

    @property
    def unit(self) -> int:
        """What a statement fills: a bar, or two of them in 2/4."""
        return self.bar if self.bar >= 3 * TICKS else 2 * self.bar

    @property
    def strong(self) -> tuple[int, ...]:
        """Strong beats of a bar."""
        return tuple(beat * self.beat for beat in _STRONG[self.bar // self.beat])

    def is_strong(self, place: int) -> bool:
        return place % self.bar in self.strong

    def is_landing(self, place: int) -> bool:
        """Whether a long note rests well there: on a strong beat, or held over one."""
        return self.is_strong(place) or self.is_strong(place + EIGHTH)

    def is_on_beat(self, place: int) -> bool:
        return place % self.bar % self.beat == 0

    def ceiling(self, place: int) -> int:
        """The beat at or after a place."""
        bar = place // self.bar * self.bar
        return bar - (bar - place) // self.beat * self.beat


class Figure(NamedTuple):
    """A rhythm over a bar: where each note begins, the last of them being held, and rests that the
    teacher's own rhythms put between them."""

    onsets: Onsets
    rests: tuple[tuple[int, int], ...] = ()  # where each begins and ends

    def later(self, ticks: int) -> Figure:
        moved = tuple((start + ticks, end + ticks) for start, end in self.rests)
        return Figure(tuple(onset + ticks for onset in self.onsets), moved)


@dataclass(frozen=True, slots=True)
class Source:
    """What motives are put together from."""

    cells: tuple[RhythmCell, ...]
    own: bool  # whether the teacher has named them: then nothing else is used
    time: Time

    @property
    def adds(self) -> bool:
        """Whether a note may be added where a figure ends: another cell would begin with one."""
        return not self.own or any(cell.lengths[0][1] for cell in self.cells)

    @property
    def late(self) -> float:
        """How many motives begin after a rest: all, where most of the teacher's cells do."""
        late = sum(not cell.lengths[0][1] for cell in self.cells)
        return 1.0 if self.own and 2 * late > len(self.cells) else _UPBEATS


def source(cells: Sequence[RhythmCell] | None, time: Time) -> Source:
    named = cells or DEFAULT_CELLS[time.beat != TICKS]
    return Source(tuple(named), cells is not None, time)


# How many notes a motive has at density 0 and 1, and how firmly that is kept.
_FEWEST_WISHED, _MOST_WISHED = 2.4, 5.2
_FEWEST, _MOST = 2, 6
_TASTE = 1.3
_DULL = 0.4  # quarters only, or two notes off the beats
_FLOATING = 0.03  # more notes with none on any beat: there is nothing to hear them against
_EVEN, _UNSETTLED = 0.35, 0.5  # of few notes: all equally far apart; not ending where one rests
_UPBEATS = 0.34  # of motives begin after a rest
_LIMPING = 0.5  # a note off the beat after another, with none on the beats between


@lru_cache(maxsize=256)
def figures(source: Source, longest: int) -> tuple[Figure, ...]:
    """Every figure that cells make within `longest` ticks of the bar line, begun on it, after a
    rest or a beat late."""
    late = () if source.own else (source.time.beat,)
    found = {
        figure.later(start)
        for strokes, total in _sequences(source, longest)
        for figure in _ended(strokes, total, source)
        for start in (0, *late)
        if _FEWEST <= len(figure.onsets) <= _MOST
    }
    return tuple(sorted(figure for figure in found if figure.onsets[-1] <= longest))


_Strokes = tuple[tuple[int, int], ...]


def _sequences(source: Source, longest: int) -> Iterator[tuple[_Strokes, int]]:
    """Cells one after another: their notes and how long they are in all."""
    sized = [(_strokes(cell), ticks(cell.length)) for cell in source.cells]
    grown: list[tuple[_Strokes, int]] = [((), 0)]
    while grown:
        longer = set()
        for strokes, total in grown:
            for own, length in sized:
                rests = strokes and own[0][0] and not source.own
                fits = total + length <= longest or not strokes
                if fits and not rests and len(strokes) < _MOST:
                    moved = tuple((start + total, end + total) for start, end in own)
                    longer.add(((*strokes, *moved), total + length))
        yield from longer
        grown = sorted(longer)


def _strokes(cell: RhythmCell) -> _Strokes:
    found, place = [], 0
    for length, sounds in cell.lengths:
        if sounds:
            found.append((place, place + ticks(length)))
        place += ticks(length)
    return tuple(found)


def _ended(strokes: _Strokes, total: int, source: Source) -> Iterator[Figure]:
    """The figure held on its last note, or led on to one more."""
    onsets = tuple(start for start, _ in strokes)
    rests = tuple(
        (end, after) for (_, end), (after, _) in pairwise(strokes) if end < after and source.own
    )
    yield Figure(onsets, rests)
    if source.adds:
        tail = ((strokes[-1][1], total),) if strokes[-1][1] < total and source.own else ()
        yield Figure((*onsets, total), (*rests, *tail))


def weight(figure: Figure, density: float, source: Source, *, plain: bool, few: bool) -> float:
    """How readily a motive is made of a figure; `plain` where it must be clear at once, `few` where
    there are so few notes that its rhythm must be worth hearing."""
    onsets, time = figure.onsets, source.time
    wished = _FEWEST_WISHED + density * (_MOST_WISHED - _FEWEST_WISHED)
    found = exp(-_TASTE * abs(len(onsets) - wished))
    on_beats = [time.is_on_beat(onset) for onset in onsets]
    if all(on_beats) or not any(on_beats):
        found *= _FLOATING if len(onsets) > 2 and not source.own and not on_beats[0] else _DULL
    limps = sum(
        not here and not there and one // time.beat != other // time.beat
        for (one, here), (other, there) in pairwise(zip(onsets, on_beats, strict=True))
    )
    found *= _LIMPING**limps
    if plain:
        found *= 0.3 ** (not on_beats[0])
    if few or source.own:
        found *= _EVEN ** (len({after - before for before, after in pairwise(onsets)}) < 2)
        found *= _UNSETTLED ** (not time.is_landing(onsets[-1]))
    width = onsets[-1] - onsets[0]
    return found * (0.15 if width < 1.5 * time.beat else 1.0)


def with_a_short_note(figure: Figure, time: Time) -> Figure:
    """A note on a beat played short, with a rest before the next, where there is time for one
    (common practice: from few notes length and silence make the tune)."""
    for start, after in pairwise(figure.onsets):
        if time.is_on_beat(start) and time.beat <= after - start <= 2 * time.beat:
            return Figure(figure.onsets, ((start + EIGHTH, after),))
    return figure


def motive(
    choices: Sequence[Figure], weights: Sequence[float], after_a_rest: float, random: Random
) -> Figure:
    """One of the figures; so many of them begin after a rest, where there are such."""
    late = random.random() < after_a_rest
    for wanted in (late, not late):
        kept = [
            (figure, weight)
            for figure, weight in zip(choices, weights, strict=True)
            if (figure.onsets[0] > 0) == wanted
        ]
        if kept:
            return random.choices([f for f, _ in kept], [w for _, w in kept])[0]
    raise ValueError("no figure to choose from")
