"""How a line goes from chord to chord, and how it ends.

Figures, one over each chord, are joined by looking ahead: the octave and the ending of each.

Common practice: a line goes into the next chord by a step; a tone in common is as good a bond but
says less; a third is heard as a new beginning, and more than a fifth as a break.

Common practice: a player comes to rest before leaving the word to another, on 1, 3 or 5 of the
chord, by step where that can be, on one of the last two beats, and holds it to the bar line; and
nobody stops before the last chord: every line goes to its nearest 1, 3 or 5 and holds that.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import Literal

from quicktions import Fraction

from drillgen.chart import Bar, Chart
from drillgen.drill.lines import Arpeggio, Enclosure, Line, ScalePattern, Walking
from drillgen.lines.pass_context import (
    PassContext,
    degree_on,
    folded,
    mark_of,
    open_spans,
    outside,
    readable,
    roots,
    scale_of,
)
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Key, Name, Pitch, in_range

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


_OCTAVE = 12  # semitones
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


# Kinds that run on from note to note.  The others end as they are: what a teacher wrote and what
# phrases say, guide tones and roots that are held anyhow.
_RUNNING = (Arpeggio, ScalePattern, Walking, Enclosure)
_RESTS_ON = (1, 3, 5)
_STEP, _THIRD, _NEAREST = 2, 4, 6  # semitones
_STEPWISE = (ScalePattern, Walking)  # what may be led to its last note by another scale tone
_CHANGED = 2  # what that costs
# What a last note costs: each semitone of a move that is no step, and of a line that goes by steps;
# the last note again; another note than the line had there; sooner than on the last beat.
_WIDE, _WIDE_AMONG_STEPS, _AGAIN, _OTHER, _SOON = 1, 4, 5, 2, 1


def before_gaps(
    notes: Sequence[Note], bars: Sequence[Bar | None], context: PassContext, options: Line
) -> list[Note]:
    """The notes of a pass, with an arrival at the end of each call that a response follows; `bars`
    are those of the pass and the one after it, if there is any."""
    found = list(notes)
    if not isinstance(options, _RUNNING):
        return found
    if isinstance(options, Enclosure) and options.fill == "rest":
        return found
    for bar, after in pairwise(bars):
        if bar and after and (bar.role, after.role) == ("call", "response"):
            found = _arrived(found, bar, context, options)
    return found


def _arrived(notes: list[Note], bar: Bar, context: PassContext, options: Line) -> list[Note]:
    """The notes with an arrival at the end of one bar."""
    call = next(span for span in open_spans([bar]))
    heard = [note for note in notes if note.start < bar.end]
    places = [bar.end - 2 * context.beat, bar.end - context.beat]
    if len(heard) < 2 or heard[-1].start < bar.start:
        return notes
    if heard[-1].start < places[0]:  # held already
        held = replace(heard[-1], duration=call.end - heard[-1].start)
        return [*heard[:-1], held, *notes[len(heard) :]]
    stepwise = isinstance(options, _STEPWISE)
    wide = _WIDE_AMONG_STEPS if stepwise else _WIDE
    stride = _THIRD if isinstance(options, Arpeggio) else _STEP
    ways = [way for place in places for way in _ways(heard, place, bar, context, wide, stride)]
    if stepwise:
        ways += [way for place in places for way in _led(heard, place, bar, context, options)]
    if not ways:
        return notes
    _, end = min(ways, key=lambda way: (way[0], [note.pitch.midi for note in way[1]]))
    kept = [_until(note, end[0].start) for note in heard if note.start < end[0].start]
    return [*kept, *end, *notes[len(heard) :]]


def _until(note: Note, end: Fraction) -> Note:
    return replace(note, duration=min(note.duration, end - note.start))


_Way = tuple[float, list[Note]]  # what it costs, and the notes that end the call


def _ways(
    notes: Sequence[Note],
    place: Fraction,
    bar: Bar,
    context: PassContext,
    wide: int,
    stride: int = _STEP,
) -> Iterator[_Way]:
    """Every last note that could fall on a place; `wide` is what each semitone costs of a move that
    is no step, `stride` how far the line's own note there may lie as well: broken chords go by
    thirds."""
    earlier = [note for note in notes if note.start < place]
    span = bar.span_at(place)
    if not earlier or span is None or span.chord is None:
        return
    before = earlier[-1].pitch
    own = next((note.pitch for note in notes if note.start == place), None)
    soon = _SOON * (place < bar.end - context.beat)
    for degree, pitch in _rests(span.chord, bar.key, context.low, context.high):
        away, other = abs(pitch.midi - before.midi), own is None or own.midi != pitch.midi
        near = _STEP if other else stride
        cost = _AGAIN if away == 0 else 0 if away <= near else wide * away
        cost += soon + _OTHER * other
        yield cost, [Note(place, bar.end - place, pitch, mark=mark_of(degree))]


def _led(
    notes: Sequence[Note], place: Fraction, bar: Bar, context: PassContext, options: Line
) -> Iterator[_Way]:
    """Every last note with another one before it than the line had: a scale tone beside it."""
    earlier = [note for note in notes if note.start < place]
    if len(earlier) < 2:
        return
    before, given = earlier[-2:]
    span = bar.span_at(given.start)
    if span is None or span.chord is None:
        return
    scale = scale_of(span.chord, bar.key, context.home, options.chosen_scales, span.leads_to)
    tones = [
        (degree, pitch)
        for degree in scale.degrees
        for pitch in in_range(span.chord.root.above(degree), context.low, context.high)
        if 0 < abs(pitch.midi - before.pitch.midi) <= _THIRD
    ]
    for degree, pitch in tones:
        led = replace(given, pitch=readable(pitch), mark=mark_of(degree))
        changed = [*earlier[:-1], led, *notes[len(earlier) :]]
        for cost, end in _ways(changed, place, bar, context, _WIDE):
            if abs(end[0].pitch.midi - pitch.midi) <= _STEP:
                yield cost + _CHANGED + abs(pitch.midi - given.pitch.midi) / 4, [led, *end]


def _rests(chord: Chord, key: Key, low: int, high: int) -> Iterator[tuple[Degree, Pitch]]:
    """1, 3 and 5 of a chord in every octave of a range."""
    for number in _RESTS_ON:
        degree = degree_on(chord, key, number)
        for pitch in in_range(chord.root.above(degree), low, high):
            yield degree, pitch


def on_the_last_chord(
    chart: Chart, options: Line, notes: Sequence[Note], context: PassContext
) -> Iterator[Note]:
    """What is held through the ending: for each voice the nearest 1, 3 or 5 of the last chord; of a
    line that is made of named notes, one of those that it has in this key."""
    final = chart.ending
    chord = final[0].spans[0].chord if final else None
    if not notes or chord is None:
        return
    start, end = final[0].start, final[-1].end
    choices = list(_rests(chord, final[0].key, context.low, context.high))
    if options.notes_used:
        choices = _named(choices, notes, final[0], chart)
    taken: set[int] = set()
    for before in _voices(notes):
        free = [each for each in choices if each[1].midi not in taken]
        if not free:
            return
        degree, pitch = min(free, key=lambda each: _distance(each, before.pitch))
        taken.add(pitch.midi)
        yield Note(start, end - start, pitch, "held", mark=mark_of(degree))


def _distance(choice: tuple[Degree, Pitch], before: Pitch) -> tuple[int, int]:
    return abs(choice[1].midi - before.midi), choice[1].midi


def _voices(notes: Sequence[Note]) -> list[Note]:
    """What sounded last, from low to high."""
    last = notes[-1].start
    return sorted((n for n in notes if n.start == last), key=lambda note: note.pitch.midi)


def _named(
    choices: Sequence[tuple[Degree, Pitch]], notes: Sequence[Note], final: Bar, chart: Chart
) -> list[tuple[Degree, Pitch]]:
    """The choices that the line has sounded in the last key; its last note where it has none."""
    own = [note for note in notes if chart.bar_at(note.start).key_number == final.key_number]
    keys = {note.pitch.midi for note in own}
    found = [(degree, pitch) for degree, pitch in choices if pitch.midi in keys]
    return found or [(Degree.parse(notes[-1].mark), notes[-1].pitch)]
