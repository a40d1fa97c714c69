"""How a phrase is built from its motive: said, said again, led on and brought to an end.

Common practice: two bars are a motive and its return, a motive and an answer among its rhythms, or
short, short, long; four bars are said, said again, said again and led home, or said twice with
room to breathe after each, or two bars and their answer.  Longer ones go away from their motive in
the second four bars, to another figure and its sequence, and come back to it to close: statement,
restatement, departure, conclusion.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import exp
from random import Random
from typing import Literal

from drillgen.lines.motives import (
    EIGHTH,
    TICKS,
    Figure,
    Onsets,
    Source,
    Time,
    figures,
    motive,
    weight,
    with_a_short_note,
)

Part = Literal["motive", "return", "answer", "departure", "long"]


@dataclass(frozen=True, slots=True)
class Statement:
    """A figure in its place: what it is to the motive, and its notes from start to end."""

    part: Part
    strokes: tuple[tuple[int, int], ...]  # ticks from the call's start


Form = tuple[Statement, ...]


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the drill asks of a rhythm."""

    density: float
    rests: float
    notes: int  # how many there are to sing
    last: int  # ticks that the last note lasts; 0: a beat or more, as there is room
    avoid: frozenset[tuple[int, ...]]  # onsets of the motives said lately

    @property
    def plain(self) -> bool:
        """Two notes only: clear at once, with long endings."""
        return self.notes == _PLAIN

    @property
    def few(self) -> bool:
        """So few that the rhythm must carry the phrase."""
        return self.notes <= _FEW


_FEW, _PLAIN = 3, 2

# How often, in per cent.
_FORMS = {
    1: {"once": 100},
    2: {"again": 45, "among": 25, "short": 30},
    3: {"onward": 100},
    4: {"onward": 40, "breathing": 35, "answered": 25},
}  # by how many bars
_OF_FEW = {4: {"onward": 10, "breathing": 45, "answered": 45}}  # … from two or three notes
_TIED = 0.3  # of phrases hold a note over a bar line
_SAME = 0.7  # of returns keep the rhythm exactly; the others change its last two notes
_SAME_AGAIN = 0.5  # … of second returns
_TOO_SHORT = 0.15  # how much less likely a motive of two notes is that four bars are made of
_TAIL = 0.5  # of answers from few notes are the end of what they answer
_SPACE = 1.5  # what it costs, from few notes, to go on within a beat and a half
_TRIES = 32
_CHANGE, _FREE = 0.8, 0.3  # what each onset costs that a last statement changes; in an answer
_STALE = 0.7  # … where it changes none
_FULL = 0.7  # of phrases hold their last note for as long as there is room
_IMPOSSIBLE = 1000.0
_USUAL_DENSITY = 0.5
_ROOMY, _USUAL_RESTS = 4.0, 0.2  # how firmly motives leave time, where more than usual is silent
_SILENT = 1.5  # times `rests`: how often that time is not filled by a held note
_SHORT, _MOST_SHORT = 2.0, 0.6  # times `rests`: of motives from few notes play one of them short
_CALM, _LIVELY = 2.3, 2.0  # notes a bar from few, at density 0, and more at 1
_BUSY = 0.8  # what each note beyond them costs
_FOUR = 4  # bars in one breath
_HOLD = 3  # beats: no note inside a phrase is held longer


def laid_out(source: Source, wishes: Wishes, random: Random) -> Form:
    """A phrase's rhythm: the best of some that are drawn alike."""
    time = source.time
    units = _units(time)
    tied = units > 1 and not wishes.plain and random.random() < _TIED
    chosen = _kinds(units, wishes, time, random)
    builder = _Builder(source, wishes, tied, random)
    choices, weights = builder.choices(chosen[0][1])
    best: tuple[float, Form] | None = None
    for _ in range(_TRIES if choices else 0):
        form = builder.form(
            builder.shortened(motive(choices, weights, source.late, random)), chosen
        )
        if form:
            found = _faults(form, time, wishes, tied) + random.random() / 2
            if best is None or found < best[0]:
                best = found, form
        if best and best[0] < 1:
            break
    return best[1] if best and best[0] < _IMPOSSIBLE else _least(time)


def _units(time: Time) -> int:
    """How many statements fit: mostly as many as bars."""
    return max((2 * (time.end - time.begin) + time.unit) // (2 * time.unit), 1)


def _kinds(units: int, wishes: Wishes, time: Time, random: Random) -> list[tuple[int, str]]:
    """How many statements and in which form; long calls are several phrases of four bars, on one
    motive, which some forms have a shape of their own for."""
    sizes = [4] * ((units - 1) // 4) + [(units - 1) % 4 + 1]
    barred = {"short"} if units > 4 or time.unit != 4 * time.beat else set[str]()
    barred |= {"breathing"} if len({*sizes}) > 1 else set()
    kinds = [_kind(size, wishes, barred, random) for size in sizes]
    if "breathing" in kinds:
        kinds = ["breathing"] * len(sizes)
    return list(zip(sizes, kinds, strict=True))


def _kind(size: int, wishes: Wishes, barred: set[str], random: Random) -> str:
    forms = {**_FORMS, **_OF_FEW} if wishes.few else _FORMS
    table = {kind: share for kind, share in forms[size].items() if kind not in barred}
    if "short" in table:  # short, short leaves no silence, and has twice the notes
        calm = min(wishes.density / _USUAL_DENSITY, 1) ** 2
        table["short"] = round(table["short"] * calm * (1 - wishes.rests) / (1 - _USUAL_RESTS))
    if "breathing" in table:  # more or less often as more or less is left silent
        often = 0.2 + 4 * wishes.rests + 2 * wishes.plain  # two notes want time round them
        table["breathing"] = round(table["breathing"] * often)
    return random.choices([*table], [*table.values()])[0]


def _least(time: Time) -> Form:
    """Where there is hardly any time: two notes."""
    middle = time.begin + EIGHTH
    return (Statement("motive", ((time.begin, middle), (middle, time.end))),)


@dataclass(slots=True)
class _Builder:
    """Draws one layout."""

    source: Source
    wishes: Wishes
    tied: bool
    random: Random

    @property
    def time(self) -> Time:
        return self.source.time

    def form(self, figure: Figure, chunks: list[tuple[int, str]]) -> Form:
        """The statements of a phrase; none where the motive finds no place."""
        found: list[tuple[Part, Figure]] = []
        place = self.time.begin
        for number, (size, kind) in enumerate(chunks):
            last = number == len(chunks) - 1
            chunk = self._departing if number % 2 and size > 1 else self._chunk
            found += chunk(figure, place, size, kind, last=last)
            place += size * self.time.unit
        if any(len(each.onsets) < 2 for _, each in found[:1]):
            return ()
        return tuple(self._sounded(found))

    def shortened(self, figure: Figure) -> Figure:
        """The motive, with a short note now and then where there are few to choose from."""
        often = min(_SHORT * self.wishes.rests, _MOST_SHORT)
        if self.source.own or not self.wishes.few or self.random.random() > often:
            return figure
        return with_a_short_note(figure, self.time)

    def choices(self, kind: str) -> tuple[Sequence[Figure], Sequence[float]]:
        """The figures that motives of this form are drawn from, and how likely each is."""
        wishes = self.wishes
        density, rests = wishes.density, wishes.rests
        choices, usual = _choices(self.source, kind, density, rests, wishes.notes, self.tied)
        weights = [
            weight * (0.02 if each.onsets in wishes.avoid else 1.0)
            for each, weight in zip(choices, usual, strict=True)
        ]
        return choices, weights

    def _chunk(
        self, figure: Figure, place: int, size: int, kind: str, *, last: bool
    ) -> Iterator[tuple[Part, Figure]]:
        """The statements of up to four bars."""
        unit = self.time.unit
        first: Part = "motive" if place == self.time.begin else "return"
        said = figure.later(place)
        if kind == "once":
            yield first, self._landed(said, place) if last else said
        elif kind == "again":
            yield first, said
            yield "return", self._returned(figure, place + unit, last)
        elif kind == "among":
            yield first, said
            yield "answer", self._answer(figure, place + unit, last)
        elif kind == "short":
            yield first, said
            yield "return", figure.later(place + unit // 2)
            yield "long", self._long(figure, place + unit, last)
        elif kind == "breathing":
            yield first, said
            yield "return", self._returned(figure, place + 2 * unit, last)
        elif kind == "answered":
            asked = self._answer(figure, place + unit, last=False)
            if self.wishes.few:  # a question that rests
                asked = self._landed(asked, place + unit, _FREE, place + 2 * unit - self.time.beat)
            yield first, said
            yield "answer", asked
            yield "return", figure.later(place + 2 * unit)
            again = asked.later(2 * unit)
            yield "answer", self._landed(again, place + 3 * unit, _FREE) if last else again
        else:
            yield first, said
            for turn in range(1, size - 1):
                again = self._varied(figure, _SAME if turn == 1 else _SAME_AGAIN)
                yield "return", again.later(place + turn * unit)
            yield "answer", self._answer(figure, place + (size - 1) * unit, last, tail=1.0)

    def _departing(
        self, figure: Figure, place: int, size: int, kind: str, *, last: bool
    ) -> Iterator[tuple[Part, Figure]]:
        """Another figure, twice where there is time, and the motive again."""
        places = range(place, place + size * self.time.unit, self.time.unit)
        places = places[::2] if kind == "breathing" else places
        other = self._other(figure, kind)
        away = 1 if len(places) == 2 else 2
        for index, here in enumerate(places):
            if index < away:
                yield "departure", other.later(here)
            elif index < len(places) - 1:
                yield "return", self._varied(figure, _SAME).later(here)
            elif len(places) > 3:
                yield "answer", self._answer(figure, here, last, tail=1.0)
            else:
                yield "return", self._returned(figure, here, last)

    def _other(self, figure: Figure, kind: str) -> Figure:
        """A figure that is heard as another one: it begins elsewhere and shares half of its places
        with the motive at most."""
        drawn = zip(*self.choices(kind), strict=True)
        others = [(each, weight) for each, weight in drawn if _contrasts(each, figure)]
        if not others:
            return figure
        return self.random.choices([each for each, _ in others], [w for _, w in others])[0]

    def _returned(self, figure: Figure, place: int, last: bool) -> Figure:
        again = figure.later(place)
        return self._landed(again, place) if last else again

    def _of_cells(self, figure: Figure, place: int) -> list[Figure]:
        """What else the teacher's cells make there with the same beginning."""
        alike = (each.later(place) for each in figures(self.source, _reach(self.time)))
        return [each for each in alike if each.onsets[:2] == figure.onsets[:2]]

    def _varied(self, figure: Figure, same: float) -> Figure:
        """The rhythm again, exactly or, more or less often, with its last notes changed."""
        if self.random.random() < same or not self.source.adds or len(figure.onsets) < 3:
            return figure
        kept = figure.onsets[: -2 if len(figure.onsets) > 3 else -1]
        if self.source.own:
            cells = self._of_cells(figure, 0)
            return self.random.choice([e for e in cells if e.onsets[: len(kept)] == kept] or cells)
        places = range(kept[-1] + EIGHTH, self.time.unit, EIGHTH)
        latest = self.time.unit - (
            0 if self.tied else TICKS
        )  # later ones are held over the bar line
        ends = [
            place
            for place in places
            if self.time.is_landing(place) and place not in figure.onsets and place <= latest
        ]
        if not ends:
            return figure
        return Figure((*kept, self.random.choice(ends)), _before(figure, kept[-1]))

    def _answer(self, figure: Figure, place: int, last: bool, tail: float = _TAIL) -> Figure:
        """Other notes of the same rhythm: one of its onsets may be missing, and its end; from few
        notes often (`tail`) its end alone; from the teacher's cells another figure that begins as
        it does."""
        figure = figure.later(place)
        onsets = figure.onsets
        if self.source.own:
            figure = self.random.choice([figure, *self._of_cells(figure, place)])
        elif self.wishes.few and len(onsets) > 2 and self.random.random() < tail:
            figure = Figure(onsets[-((2 * len(onsets) + 2) // 3) :])
        elif len(onsets) > 3 and self.random.random() < 0.6:
            gone = self.random.randrange(1, len(onsets) - 1)
            figure = Figure((*onsets[:gone], *onsets[gone + 1 :]), figure.rests)
        return self._landed(figure, place, _FREE) if last else figure

    def _long(self, figure: Figure, place: int, last: bool) -> Figure:
        """The short figure once more, led on to a note that lasts."""
        figure = figure.later(place)
        time, onsets = self.time, figure.onsets
        later = figure.later(time.unit // 2).onsets[:1]
        free = not self.source.own
        if free and self.random.random() < 0.5 and onsets[-1] + EIGHTH < later[0]:
            onsets = (*onsets, later[0] - EIGHTH)
        onsets = (*onsets, *later)
        longer = Figure(onsets, figure.rests)
        return self._landed(longer, place, _FREE) if last else longer

    def _landed(
        self, figure: Figure, place: int, change: float = _CHANGE, until: int = 0
    ) -> Figure:
        """The figure with a last note that rests well and has the time to, until the phrase's end
        or an earlier one: its own, else an earlier or another one."""
        time = self.time
        end = until or time.end
        room = end - (0 if until else self.wishes.last or time.beat)
        best: tuple[float, Figure] | None = None
        for option in self._endings(figure, place, room):
            price = self._price(option.onsets, figure, change, end)
            if best is None or price < best[0]:
                best = price, option
        if best:
            return best[1]
        late = -(-max(figure.onsets[-1] - room, 0) // time.beat) * time.beat
        return figure.later(-late) if figure.onsets[0] - late >= place else figure

    def _endings(self, figure: Figure, place: int, room: int) -> list[Figure]:
        """Ways to end a figure, the last note begun by `room`; of the teacher's cells, where they
        allow it."""
        if self.source.own:
            cells = [figure, *self._of_cells(figure, place)]
            short = {
                Figure(each.onsets[:kept], _before(each, each.onsets[kept - 1]))
                for each in cells
                for kept in range(2, len(each.onsets) + 1)
                if each.onsets[kept - 1] <= room
            }
            if short:
                return sorted(short)
        found: list[Onsets] = []
        for kept in range(len(figure.onsets), 0, -1):
            onsets = figure.onsets[:kept]
            found += [onsets] if kept > 1 and onsets[-1] <= room else []
            if self.source.adds:
                start = onsets[-1] + EIGHTH
                found += [(*onsets, later) for later in range(start, room + 1, EIGHTH)]
        return [Figure(onsets, _before(figure, onsets[-1])) for onsets in found]

    def _price(self, onsets: Onsets, figure: Figure, change: float, end: int) -> float:
        """What it costs to end so."""
        time = self.time
        changed = len({*onsets} ^ {*figure.onsets})
        lands = time.is_landing(onsets[-1])
        early = (end - 1) // time.bar - onsets[-1] // time.bar
        short = self.wishes.plain and end - onsets[-1] < 2 * time.beat
        stale = _STALE * (change == _FREE and not changed)
        return (
            stale
            + changed * change
            + 4.0 * (not lands)
            + early
            + 2.0 * short
            + self.random.random()
        )

    def _sounded(self, found: list[tuple[Part, Figure]]) -> Iterator[Statement]:
        """Each note held to the next, but for the rests; the last of each statement as long as it
        can sing, with room to breathe before the next."""
        for (part, figure), after in zip(found, [*found[1:], None], strict=True):
            if after is None:
                end = self._last_end(figure.onsets[-1])
            else:
                end = self._end(figure.onsets[-1], after[1].onsets[0])
                if self._four_bars(figure) < self._four_bars(after[1]):
                    end = self._before_a_breath(figure.onsets[-1], end, after[1].onsets[0])
            onsets = [*figure.onsets, end]
            rests = dict(_starts(figure))
            yield Statement(
                part,
                tuple((start, rests.get(start, stop)) for start, stop in pairwise(onsets)),
            )

    def _four_bars(self, figure: Figure) -> int:
        """In which four bars of a long phrase it begins."""
        return (figure.onsets[0] - self.time.begin) // (_FOUR * self.time.unit)

    def _before_a_breath(self, start: int, end: int, following: int) -> int:
        """The end of a note that closes four bars: a beat before the next four or half of one, if
        it can last a beat itself (common practice: nobody sings eight bars in one breath)."""
        beat = self.time.beat
        ends = [e for e in (following - beat, following - EIGHTH) if e - start >= beat]
        return min([end, *ends[:1]])

    def _last_end(self, start: int) -> int:
        """A beat or more; as long as was asked, if it was."""
        time = self.time
        if self.wishes.last:
            return min(start + self.wishes.last, time.end)
        ends = [
            end for end in range(time.ceiling(start + time.beat), time.end + 1, time.beat)
            if end - start <= 4 * time.beat
        ]  # fmt: skip
        if not ends or self.wishes.plain or self.random.random() < _FULL:
            longest = min(time.end, start + 4 * time.beat)
            beat = start + time.beat  # … where both have no room, rather than a breath
            return beat if longest < beat <= time.ceiling(time.end) else longest
        return self.random.choice(ends)

    def _end(self, start: int, following: int) -> int:
        """Where a note inside the phrase ends, the next one beginning at `following`."""
        time = self.time
        line = (start // time.bar + 1) * time.bar
        longest = min(following, start + _HOLD * time.beat)
        if following <= start + time.beat:
            return following
        if self.tied and longest > line and self.random.random() < 0.7:
            return longest
        if not self.tied:
            longest = min(longest, max(line, start + EIGHTH))
        ends = range(time.ceiling(start + time.beat), longest + 1, time.beat)
        silent = [end for end in ends if following - end >= time.beat]
        if silent and self.random.random() < _SILENT * self.wishes.rests:
            return self.random.choice(silent)
        return longest


@lru_cache(maxsize=128)
def _choices(
    source: Source, kind: str, density: float, rests: float, notes: int, tied: bool
) -> tuple[Sequence[Figure], Sequence[float]]:
    """The figures for a form, and how likely each is where none has been said lately."""
    time, plain = source.time, notes == _PLAIN
    longest = {"short": 2 * time.beat - EIGHTH, "breathing": time.unit}.get(kind, _reach(time))
    leads = kind == "breathing" and not source.own
    choices = _leading(source) if leads else figures(source, longest)
    if kind == "breathing":
        choices = [each for each in choices if each.onsets[-1] >= time.unit - EIGHTH]
    if kind == "short":  # said twice in a bar: some of it on beats
        on_beats = [f for f in choices if any(time.is_on_beat(onset) for onset in f.onsets)]
        choices = [f for f in (choices if source.own else on_beats) if len(f.onsets) <= 3]
    weights = [
        weight(each, density, source, plain=plain, few=notes <= _FEW)
        * (1.0 if kind == "short" or source.own else _tying(each, time, tied))
        * _resting(each, time, rests)
        * (_TOO_SHORT if kind == "onward" and len(each.onsets) < 3 and not plain else 1.0)
        for each in choices
    ]
    return choices, weights


def _reach(time: Time) -> int:
    """How far into its bar a motive's last note begins at most."""
    return min(3 * time.beat + EIGHTH, time.unit - EIGHTH)


def _tying(figure: Figure, time: Time, tied: bool) -> float:
    """How much likelier a motive is, or less, where a note is to be held over a bar line or must
    not be."""
    if not tied:
        return 0.05 if figure.onsets[-1] % time.unit > time.unit - EIGHTH - 1 else 1.0
    hold = time.unit + figure.onsets[0] - figure.onsets[-1]
    return 4.0 if figure.onsets[0] > 0 and hold <= _HOLD * time.beat else 1.0


def _resting(figure: Figure, time: Time, rests: float) -> float:
    """How much likelier a motive is that leaves much time before it comes again, or less."""
    beats = (time.unit + figure.onsets[0] - figure.onsets[-1]) / time.beat
    return exp(_ROOMY * (rests - _USUAL_RESTS) * (beats - 2))


def _contrasts(one: Figure, other: Figure) -> bool:
    shared = {*one.onsets} & {*other.onsets}
    return one.onsets[0] != other.onsets[0] and 2 * len(shared) <= len(one.onsets)


def _before(figure: Figure, place: int) -> tuple[tuple[int, int], ...]:
    return tuple(rest for rest in figure.rests if rest[1] <= place)


def _starts(figure: Figure) -> Iterator[tuple[int, int]]:
    """For each rest, the note before it and where that must end."""
    for start, _ in figure.rests:
        yield max(onset for onset in figure.onsets if onset < start), start


def _leading(source: Source) -> Sequence[Figure]:
    """Figures moved by whole beats so as to lead to the next bar line, or just before it."""
    time = source.time
    return [
        moved
        for figure in figures(source, 3 * time.beat)
        for ends in (time.unit, time.unit - EIGHTH)
        for moved in [figure.later(ends - figure.onsets[-1])]
        if moved.onsets[0] >= 0 and (ends - figure.onsets[-1]) % time.beat == 0
    ]


def _faults(form: Form, time: Time, wishes: Wishes, tied: bool) -> float:
    """What a teacher would mark in the rhythm."""
    strokes = [stroke for statement in form for stroke in statement.strokes]
    if any(end > after for (_, end), (after, _) in pairwise(strokes)):
        return _IMPOSSIBLE
    if strokes[-1][1] > time.end or any(end <= start for start, end in strokes):
        return _IMPOSSIBLE
    start, end = strokes[-1]
    found = 20.0 * (end - start < (wishes.last or time.beat)) + 8.0 * (not time.is_landing(start))
    found += 6.0 * (start // time.bar < (time.end - 1) // time.bar - (start % time.bar > 0))
    found += 3.0 * (len(strokes) < 3)
    found += 6.0 * (strokes[0][0] >= time.begin + time.bar)
    found += 10.0 * (is_tied(form, time.bar) != tied)
    found += sum(3.0 * _clipped(*pair, time) for pair in pairwise(form))
    found += 10.0 * _lonely(strokes, time) + 8.0 * _torn(strokes, time)
    found += 6.0 * _breathless(strokes, time)
    if wishes.few:
        calm = (_CALM + _LIVELY * wishes.density) * (time.end - time.begin) / time.unit
        found += _BUSY * max(len(strokes) - calm, 0) + _SPACE * _hurried(form, time)
    onsets = tuple(start - time.begin for start, _ in form[0].strokes)
    return found + 3.0 * (onsets in wishes.avoid)


def _clipped(statement: Statement, following: Statement, time: Time) -> bool:
    """Whether a statement ends on a short note before a rest."""
    start, end = statement.strokes[-1]
    return end - start < time.beat and end < following.strokes[0][0]


def _hurried(form: Form, time: Time) -> int:
    """Bars that a statement fills to within a beat and a half of the next one."""
    bars = (pair for pair in pairwise(form) if pair[1].part != "long")
    return sum(
        after.strokes[0][0] - one.strokes[-1][0] < time.beat * 3 // 2
        for one, after in bars
        if after.strokes[0][0] // time.unit > one.strokes[0][0] // time.unit
    )


def is_tied(form: Form, bar: int) -> bool:
    """Whether a note is held over a bar line."""
    strokes = (stroke for statement in form for stroke in statement.strokes)
    return any((end - 1) // bar > start // bar for start, end in strokes)


def _lonely(strokes: list[tuple[int, int]], time: Time) -> int:
    """Notes with a beat and a half of silence or more on either side."""
    far = time.beat * 3 // 2
    gaps = [far, *(after - end for (_, end), (after, _) in pairwise(strokes)), far]
    return sum(min(before, after) >= far for before, after in pairwise(gaps))


def _breathless(strokes: list[tuple[int, int]], time: Time) -> bool:
    """Whether more than four bars and a half have no silence."""
    rests = [after for (_, end), (after, _) in pairwise(strokes) if after > end]
    breaths = [strokes[0][0], *rests, strokes[-1][1]]
    return any(2 * (b - a) > 9 * time.unit for a, b in pairwise(breaths))


def _torn(strokes: list[tuple[int, int]], time: Time) -> int:
    """Silences beyond one a bar, and those longer than half a bar and a beat."""
    rests = [(end, after) for (_, end), (after, _) in pairwise(strokes) if after > end]
    bars = [start // time.bar for start, _ in rests]
    long = sum(after - end > time.unit // 2 + time.beat for end, after in rests)
    return len(bars) - len(set(bars)) + long
