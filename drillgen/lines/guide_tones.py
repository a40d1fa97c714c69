"""Guide tones: the third and the seventh of each chord, moving by the smallest step.

Common practice (worked example: Dm7 G7 Cmaj7 gives C B B or F F E): the seventh of one chord falls
to the third of the next, the third stays as its seventh.  A sixth stands in for a seventh, a fourth
for the third of a suspended chord, which is heard as a 7sus; of a triad there is the third alone,
and below or above it in a second voice the root.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from typing import NamedTuple

from quicktions import Fraction

from drillgen.drill.lines import GuideTones, HeldFor
from drillgen.lines.pass_context import Cell, PassContext, heard_tones, open_spans
from drillgen.score import Note
from drillgen.theory.pitch import Degree, Pitch, in_range

_OCTAVE = 12
_ROOT = Degree(1)
_Tone = tuple[Degree, Pitch]


def write(context: PassContext, options: GuideTones) -> list[Note]:
    """One voice from `begin_on`, or both; each note as long as the rhythm says."""
    if not context.cells:
        return []
    before = _thread(context, options)
    if options.voices == "both":
        sounded: Sequence[Sequence[_Tone]] = pairs(context, options.begin_on, before)
    else:
        voice = _voice(context, options.begin_on, before[0] if before else None)
        places = fitted(list(_places(voice, context)), context, before[0] if before else None)
        sounded = [[(degree, p)] for (degree, _), p in zip(voice, places, strict=True)]
    return [
        note
        for cell, tones in zip(context.cells, sounded, strict=True)
        for note in _sounded(cell, tones, options.rhythm, context.beat)
    ]


def _thread(context: PassContext, options: GuideTones) -> list[Pitch]:
    """Where the last pass left the voices, if the thread is not cut between keys."""
    if options.thread == "key" or not context.before:
        return []
    end = context.before[-1].start
    return [note.pitch for note in context.before if note.start == end]


def _sounded(cell: Cell, tones: Sequence[_Tone], rhythm: HeldFor, beat: Fraction) -> Iterator[Note]:
    """The tones held for the chord, or repeated in halves or quarters within it."""
    span = cell.span
    step = {"chord": span.duration, "half": 2 * beat, "quarter": beat}[rhythm]
    for place in (span.start + step * count for count in range(-(-span.duration // step))):
        for degree, pitch in tones:
            yield Note(place, min(step, span.end - place), pitch, mark=str(degree))


def _heard(context: PassContext) -> Iterator[tuple[bool, bool]]:
    """Of each chord: whether it sounds in a call, and whether a response lies just before it."""
    calls = open_spans(context.bars)
    end = None  # of the chord before
    for cell in context.cells:
        inside = any(span.start <= cell.span.start < span.end for span in calls)
        yield inside, end is not None and end < cell.span.start
        end = cell.span.end


# One voice: the thread, moved by octaves, and only that, so that the range holds it.
#
# It is found first, without regard to any range, so that it is the same line in every key. Then the
# whole pass is looked over: the thread stays in one octave wherever the range holds it so, and else
# changes its octave in a response, which the student plays, or where it moves furthest anyhow,
# which makes the least of a leap.


@dataclass(frozen=True, slots=True)
class ThreadPlace:
    """Where the thread stands over one chord, in no particular octave."""

    pitch: Pitch
    heard: bool  # False in a response, which is the student's
    resumes: bool = False  # whether a response lies between it and the place before


class _Cost(NamedTuple):
    """What a way costs, in semitones; compared in this order."""

    broken: int = 0  # moves further than the thread's own
    low: int = 0  # below where the line keeps clear of the band's bass
    far: int = 0  # away from where the line should begin

    def plus(self, other: _Cost) -> _Cost:
        return _Cost(self.broken + other.broken, self.low + other.low, self.far + other.far)


_Ways = dict[int, tuple[_Cost, tuple[int, ...]]]  # the cheapest, by the octave that it ends in


def fitted(
    thread: Sequence[ThreadPlace], context: PassContext, goes_on_from: Pitch | None = None
) -> list[Pitch]:
    """The thread, each of its places in the octave that is best for the whole (dynamic
    programming); close to where the line should begin, or going on from a pitch."""
    if not thread:
        return []
    first = thread[0]
    ways: _Ways = {}
    for octave in _octaves(first, context):
        entry = _Cost(far=abs(first.pitch.midi + _OCTAVE * octave - context.near))
        if goes_on_from is not None:
            entry = _break(ThreadPlace(goes_on_from, True), first, octave)
        ways[octave] = entry.plus(_own(first, octave, context)), (octave,)
    for before, place in pairwise(thread):
        ways = dict(_onward(ways, before, place, context))
    _, octaves = min(ways.values())
    placed = (place.pitch.octaves(octave) for place, octave in zip(thread, octaves, strict=True))
    return [context.within(pitch) for pitch in placed]


def _onward(
    ways: _Ways, before: ThreadPlace, place: ThreadPlace, context: PassContext
) -> Iterator[tuple[int, tuple[_Cost, tuple[int, ...]]]]:
    """The cheapest way to each octave of the next place."""
    for octave in _octaves(place, context):
        cost, path = min(
            (cost.plus(_break(before, place, octave - path[-1])), path)
            for cost, path in ways.values()
        )
        yield octave, (cost.plus(_own(place, octave, context)), (*path, octave))


def _octaves(place: ThreadPlace, context: PassContext) -> range:
    """By how many octaves a place may be moved; to the nearest in a range that does not hold it."""
    key = place.pitch.midi
    lowest = -((key - context.low) // _OCTAVE)
    highest = (context.high - key) // _OCTAVE
    return range(lowest, max(highest, lowest) + 1)


def _break(before: ThreadPlace, after: ThreadPlace, octaves: int) -> _Cost:
    """A move that goes some octaves further than the thread does: as bad as it is heard to be."""
    if not octaves:
        return _Cost()
    move = after.pitch.midi - before.pitch.midi
    further = abs(move + _OCTAVE * octaves) - abs(move)
    heard = before.heard and after.heard and not after.resumes
    return _Cost(broken=1 + (further if heard else 0))


def _own(place: ThreadPlace, octave: int, context: PassContext) -> _Cost:
    """How low it sounds in an octave."""
    key = place.pitch.midi + _OCTAVE * octave
    return _Cost(low=max(context.clear_of - key, 0) if place.heard else 0)


def _places(voice: Sequence[_Tone], context: PassContext) -> Iterator[ThreadPlace]:
    for (_, pitch), (heard, resumes) in zip(voice, _heard(context), strict=True):
        yield ThreadPlace(pitch, heard, resumes)


def _voice(context: PassContext, begin_on: int, last: Pitch | None) -> list[_Tone]:
    """One of the guide tones of each chord, the nearest to the last one; on a triad its third."""
    home = last
    voice: list[_Tone] = []
    for cell in context.cells:
        third, seventh = heard_tones(cell)
        degrees = (third,) if seventh is None else (third, seventh)
        if last is None:
            degrees = degrees[:1] if begin_on == 3 else degrees[-1:]
        voice.append(_nearest(cell, degrees, last or context.near, home))
        last = voice[-1][1]
        home = home or last
    return voice


def _nearest(cell: Cell, degrees: Iterable[Degree], last: Pitch | int, home: Pitch | None) -> _Tone:
    """The tone nearest to the last one.  On a tie the one nearer to where the thread began, so that
    it does not drift away from there, else the one that falls: in every key the same."""
    near = last.midi if isinstance(last, Pitch) else last

    def cost(choice: _Tone) -> tuple[int, int, int]:
        key = choice[1].midi
        return abs(key - near), abs(key - home.midi) if home else 0, key

    choices = [(each, Pitch.near(cell.chord.root.above(each), near)) for each in degrees]
    return min(choices, key=cost)


# Both voices: one search over the pass for which of the two lies lower and in which octave, so that
# neither is ever moved away from the other by itself. What is heard to move least is best; where
# several ways move as little, the two begin close together, stay near to where they began, and lie
# clear of the band's bass. All but the last of these is the same in every key.

_STARTS = 8  # places to begin that are looked at, the nearest ones


class _Pair(NamedTuple):
    """Third and seventh of a chord, the lower one first."""

    low: _Tone
    high: _Tone

    @property
    def keys(self) -> tuple[int, int]:
        return self.low[1].midi, self.high[1].midi


class _Price(NamedTuple):
    """What a way of two voices costs, in semitones; compared in this order."""

    heard: int = 0  # motion of both voices within a call
    unheard: int = 0  # … where the student plays
    wide: int = 0  # how far apart they begin, doubled, and 1 where they begin the other way up
    drift: int = 0  # away from where they began
    height: int = 0  # … upwards
    low: int = 0  # below where the line keeps clear of the band's bass
    far: int = 0  # away from where the line should begin

    def plus(self, other: _Price) -> _Price:
        return _Price(*map(int.__add__, self, other))


_Path = tuple[_Price, tuple[_Pair, ...]]


def pairs(context: PassContext, begin_on: int, before: Sequence[Pitch] = ()) -> list[_Pair]:
    """Both guide tones of each chord of a pass, going on from the voices before, if there are any;
    of two tones a tritone apart `begin_on` names the higher one."""
    if not context.cells:
        return []
    steps = list(zip((_arranged(cell, context) for cell in context.cells), _heard(context),
                     strict=True))  # fmt: skip
    starts = sorted(steps[0][0], key=lambda pair: abs(pair.keys[0] - context.near))[:_STARTS]
    third, seventh = heard_tones(context.cells[0])
    named = third if begin_on == 3 else seventh or _ROOT
    ways = (_way(each, steps, context, _entry(each, named, context, before)) for each in starts)
    return list(min(ways)[1])


def _entry(start: _Pair, named: Degree, context: PassContext, before: Sequence[Pitch]) -> _Price:
    """What it costs to begin there."""
    if len(before) > 1:
        return _Price(heard=_moved(sorted(pitch.midi for pitch in before), start.keys))
    lowest, highest = start.keys
    wide = 2 * (highest - lowest) + (start.high[0] != named)
    return _Price(wide=wide, far=abs(lowest - context.near))


def _arranged(cell: Cell, context: PassContext) -> list[_Pair]:
    """The two tones wherever the range holds both within an octave; each by itself in a range
    where it does not."""
    third, seventh = heard_tones(cell)
    degrees = (third, seventh or _ROOT)
    names = [cell.chord.root.above(degree) for degree in degrees]
    places = [in_range(name, context.low, context.high) for name in names]
    apart = [pair for pair in product(*places) if abs(pair[0].midi - pair[1].midi) < _OCTAVE]
    apart = apart or [tuple(context.closest(name, context.near) for name in names)]
    found = (sorted(zip(degrees, pair, strict=True), key=_key) for pair in apart)
    return [_Pair(*pair) for pair in found]


def _key(tone: _Tone) -> int:
    return tone[1].midi


def _way(
    start: _Pair,
    steps: Sequence[tuple[list[_Pair], tuple[bool, bool]]],
    context: PassContext,
    entry: _Price,
) -> _Path:
    """The cheapest way through the pass from where it starts (dynamic programming)."""
    in_call = steps[0][1][0]
    ways: dict[_Pair, _Path] = {start: (entry, (start,))}
    for choices, (inside, resumes) in steps[1:]:
        heard = in_call and inside and not resumes
        ways = {
            pair: _cheapest(ways, pair, heard, _own_price(pair, start, inside, context))
            for pair in choices
        }
        in_call = inside
    return min(ways.values())


def _cheapest(ways: dict[_Pair, _Path], pair: _Pair, heard: bool, own: _Price) -> _Path:
    def onward(last: _Pair) -> _Price:
        moved = _moved(last.keys, pair.keys)
        return _Price(heard=moved) if heard else _Price(unheard=moved)

    price, path = min((cost.plus(onward(last)), way) for last, (cost, way) in ways.items())
    return price.plus(own), (*path, pair)


def _moved(before: Sequence[int], after: Sequence[int]) -> int:
    return sum(abs(b - a) for a, b in zip(before, after, strict=True))


def _own_price(pair: _Pair, start: _Pair, heard: bool, context: PassContext) -> _Price:
    """What it costs to be there."""
    lowest = pair.keys[0]
    risen = lowest - start.keys[0]
    low = sum(max(context.clear_of - key, 0) for key in pair.keys) if heard else 0
    return _Price(drift=abs(risen), height=risen, low=low)
