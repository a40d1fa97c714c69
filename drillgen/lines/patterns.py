"""Kinds of line that play a figure over each chord: roots, arpeggios, scale patterns, intervals.

Scale patterns: 1235, or the scale in steps, thirds, fourths or groups of four.

Each chord takes its own scale (the tables of `theory/scales.py`, or the teacher's choice).  A scale
goes up its octave and, if the chord lasts longer, down again: 1 2 3 4 5 6 7 8 7 6 …; in thirds 1 3
2 4 … 6 8 7 5 6 4 …  Each chord is begun anew from its root, and the last note or two of the one
before turn, if they must, so as to lead there by a step.  Connected, the pattern goes on through
every change with the nearest tone of the new scale and turns at the ends of the range.

Intervals by name: a note of the chord, silence to sing in, and the note so far above or below.

Common practice of ear training: the first note is given, the second one sung before it is heard.
The interval decides the second note's letter: a minor third under C is A, an augmented fourth over
it F sharp.  One interval a chord, in the order written; every pass in a key begins one further on.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from quicktions import Fraction

from drillgen.drill.line_options import INTERVAL_DEGREES
from drillgen.drill.lines import Arpeggio, Intervals, Roots, ScalePattern
from drillgen.lines.joining import (
    ChordFigure,
    chosen,
    displaced,
    joints,
    kept,
    led_on,
    placed,
    said_again,
    takes_turns,
)
from drillgen.lines.pass_context import (
    Cell,
    PassContext,
    count,
    degree_in,
    degree_of,
    filled,
    folded,
    laid,
    lands,
    mark_of,
    note_length,
    readable,
    scale_in,
    simple,
    step,
    with_passing_note,
)
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Name, Pitch, in_range
from drillgen.theory.scales import Scale

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
# that there is no time for; or it goes on an octave lower or higher. Connected, it is turned to
# begin with the tone that the last note leads to.

_BACKWARDS = 2.0  # what it costs to play a connected figure backwards
_PLAIN = (1, 3, 5, 7)
_Turn = tuple[Sequence[Degree], float]  # a figure, and what it costs to play it so


def arpeggio(context: PassContext, options: Arpeggio) -> list[Note]:
    """Each chord's arpeggio from its start, for as long as the chord lasts."""
    length = note_length(options.note, context.beat)
    joined = [*joints(context, connected=options.connect), "apart"]
    falls, later = _falling(context, options), dict(_later_tones(context))
    choices = [
        list(
            _broken(
                cell, context, options, count(cell, length), index, joined, falls[index],
                later.get(index),
            )
        )
        for index, cell in enumerate(context.cells)
    ]  # fmt: skip
    notes: list[Note] = []
    figures = chosen(choices, context, turns=not options.connect)
    for cell, figure in zip(context.cells, figures, strict=True):
        notes += laid(cell, figure.pitches, [mark_of(degree) for degree in figure.degrees], length)
    return notes


def _broken(
    cell: Cell,
    context: PassContext,
    options: Arpeggio,
    total: int,
    index: int,
    joined: Sequence[str],
    falls: bool,
    begins: int | None,
) -> Iterator[ChordFigure]:
    """What may be played over a chord: its tones in their order and each way that this may be
    turned, in each octave; where it leads to another chord in two octaves, or with other last
    notes."""
    numbers = inverted(options.order, options.inversion)
    order = [degree_of(cell, number) for number in (numbers[::-1] if falls else numbers)]
    leads_on = joined[index + 1] == "change"
    ways: list[_Turn] = [(filled(order, total), 0.0)]
    if options.connect and index:
        turns = list(_turns(order))
        if begins is not None:
            first = order[begins % len(order)]
            turns = [(turn, price) for turn, price in turns if turn[0] == first]
        ways = [(filled(turn, total), price) for turn, price in turns]
    elif leads_on and not options.connect:
        ways += displaced(filled(order, total))
    tones = {*order, *(degree_of(cell, number) for number in _PLAIN)}
    ends = sorted(tones, key=lambda tone: tone.semitones)
    ends = ends if leads_on else []
    yield from _placed_ways(cell.chord, ways, kept(order, total), ends, context)


def _later_tones(context: PassContext) -> Iterator[tuple[int, int]]:
    """For the first chord of each of several calls over the same chords the tone of a connected
    order that it begins on: the next one each time, so that it is not the same call again."""
    calls = list(said_again(context))
    for (inside, times), (_, after) in pairwise([*calls, ([], 0)]):
        if times or after:
            yield inside[0], times


def _falling(context: PassContext, options: Arpeggio | ScalePattern) -> list[bool]:
    """Of each chord, whether its figure is played down."""
    if options.direction == "alternating":
        return takes_turns(context)
    return [options.direction == "down"] * len(context.cells)


def inverted(order: tuple[int, ...], inversion: int) -> tuple[int, ...]:
    """The same shape from higher tones of the figure: 1 3 5 7 becomes 3 5 7 8, then 5 7 8 10."""
    ladder = sorted({number + 7 * octave for number in order for octave in range(inversion + 1)})
    return tuple(ladder[ladder.index(number) + inversion] for number in order)


def _placed_ways(
    chord: Chord, ways: Iterable[_Turn], stay: int, ends: Sequence[Degree], context: PassContext
) -> Iterator[ChordFigure]:
    """Figures in each octave; and with those of some tones that lead on for their last notes, of
    which the first `stay` are kept."""
    for whole, price in ways:
        yield from placed(chord.root, whole, context, price)
        for other, cost in led_on(whole, stay, ends) if ends else ():
            yield from placed(chord.root, other, context, price + cost)


def _turns(degrees: Sequence[Degree]) -> Iterator[_Turn]:
    """Every way to begin a figure on one of its tones and go on in its direction (5 7 8 10 of a
    rising 1 3 5 7), and backwards, each with what it costs."""
    for order, price in ((degrees, 0.0), (degrees[::-1], _BACKWARDS)):
        onward = 1 if order[-1].semitones > order[0].semitones else -1
        for first in range(len(order)):
            later = (degree.octaves(onward) for degree in order[:first])
            yield (*order[first:], *later), price


# Each pattern as steps over the tone that it is moved along the scale from; rising.
_SHAPES: dict[str, tuple[int, ...]] = {
    "scale": (0,),
    "thirds": (0, 2),
    "fourths": (0, 3),
    "groups of four": (0, 1, 2, 3),
}
_GROUP_OF_THREE = (0, 1, 2)  # for what groups of four do not fill and these do: six triplets
# Other endings: what they cost, by how many notes they change, and how far the last note may skip.
_OTHER_LAST, _OTHER_TWO = 3.0, 5.0
_TURNED, _EARLIER = 6.0, 3.2  # … and by turning half-way; each note sooner or later
_SKIPS = (-2, -1, 1, 2)  # scale steps
_WIDEST = {1: 2, 2: 4}  # semitones of a step and of a third
_SKIPPED, _AUGMENTED = 1.0, 3.0  # … what a skip of the last costs, and what a wider one
_THIRD, _ELSEWHERE = 1.0, 2.0  # what it costs a bebop line to begin on its third, or elsewhere
_NOT_LED = 10  # times: … where nothing leads there
_MISSED = 50.0  # … and each beat without a chord tone

_Line = list[tuple[Degree, Pitch]]


@dataclass(frozen=True, slots=True)
class _Walk:
    """A shape moved along a scale, turning back at both ends."""

    shape: tuple[int, ...]
    first: int  # where the shape begins, in scale steps over the root
    lowest: int
    highest: int
    falls: bool

    def steps(self, total: int) -> tuple[list[int], bool]:
        """That many notes, as scale steps over the root, and whether it falls then."""
        place, falls = self.first, self.falls
        found: list[int] = []
        while True:
            found += (place + each for each in (self.shape[::-1] if falls else self.shape))
            falls = place > self.lowest if falls else place >= self.highest
            place += -1 if falls else 1
            if len(found) >= total:
                return found[:total], falls


@dataclass(frozen=True, slots=True)
class _Chord:
    """A chord to be filled."""

    chord: Chord
    scale: Scale
    total: int  # notes
    shape: tuple[int, ...]
    added: frozenset[Degree] = frozenset()  # passing notes that the scale has been given
    falls: bool = False

    def degrees(self, steps: Sequence[int]) -> list[Degree]:
        return [step(self.scale, each) for each in steps]


def scale_pattern(context: PassContext, options: ScalePattern) -> list[Note]:
    """Each chord's pattern for exactly as long as the chord lasts."""
    length = note_length(options.note, context.beat)
    tasks = [
        _task(cell, context, options, count(cell, length), falls)
        for cell, falls in zip(context.cells, _falling(context, options), strict=True)
    ]
    through = options.connect and isinstance(options.pattern, str)
    lines = (_through if through else _anew)(tasks, context, options)
    notes: list[Note] = []
    for cell, line in zip(context.cells, lines, strict=True):
        marks = [str(simple(degree)) for degree, _ in line]
        notes += laid(cell, [pitch for _, pitch in line], marks, length)
    return notes


def _task(
    cell: Cell, context: PassContext, options: ScalePattern, total: int, falls: bool
) -> _Chord:
    scale = scale_in(cell, context, options.scales)
    longer = with_passing_note(scale, cell.chord) if options.bebop else scale
    return _Chord(
        cell.chord,
        longer,
        total,
        _shape(options, total),
        frozenset(longer.degrees) - {*scale.degrees},
        falls,
    )


def _shape(options: ScalePattern, total: int) -> tuple[int, ...]:
    shape = _SHAPES.get(str(options.pattern), (0,))
    fits = len(shape) != 4 or total % 4 == 0 or total % 3
    return shape if fits else _GROUP_OF_THREE


def _anew(tasks: list[_Chord], context: PassContext, options: ScalePattern) -> Iterator[_Line]:
    """Each chord from its root, or down to it."""
    orders = isinstance(options.pattern, tuple)
    context = context if orders else replace(context, before=())
    joined = [*joints(context, connected=options.connect), "apart"]
    choices = [
        list(_figures(task, context, options, joined[index], joined[index + 1]))
        for index, task in enumerate(tasks)
    ]
    for figure in chosen(choices, context, turns=orders):
        yield list(zip(figure.degrees, figure.pitches, strict=True))


def _figures(
    task: _Chord, context: PassContext, options: ScalePattern, before: str, after: str
) -> Iterator[ChordFigure]:
    """What may be played over a chord, in each octave, by how it is joined to those around it."""
    if isinstance(options.pattern, tuple):
        order = [degree_in(task.scale, task.chord, number) for number in options.pattern]
        order = order[::-1] if task.falls else order
        ways = _ways(order, task.total, before, options.direction)
        ends = task.scale.degrees if after == "change" else ()
        yield from _placed_ways(task.chord, ways, kept(order, task.total), ends, context)
        return
    every = _bebop(task, before) if options.bebop else _endings(task, after)
    for steps, price in _cheapest(every):
        degrees = task.degrees(steps)
        passing = simple(degrees[-1]) in task.added and task.total > 1
        leads = 1 if passing and steps[-1] > steps[-2] else -1 if passing else 0
        yield from placed(task.chord.root, degrees, context, price, leads)


# Orders of a scale that just fill their chords turn rather than leap, but for the first of a call:
# backwards, and where no more than a fifth lies between their ends so that either one comes first
# and the rest rises or falls: 1 2 3 5, 5 3 2 1; 5 1 2 3, whose third leads into a root a fourth
# higher, and 1 5 3 2 (common practice).  With the first two alone three changes of a turnaround in
# four at most can be steps in a bass's range, whichever way it is searched.

_ROUND, _OTHER_END = 5.0, 6.5  # what it costs to play an order backwards, and from an end
_BEGINS_ROUND = 9.0  # … more where it begins a key that follows another one without a gap
_FIFTH = 7  # semitones
_FEWEST_TURNED = 3  # notes: two of them turned round would not begin on a tone of the chord


def _ways(order: Sequence[Degree], total: int, before: str, direction: str) -> Iterator[_Turn]:
    """An order for so many notes; turned as well where it just fills a chord, which is neither
    the first of a call nor takes its turn; with what each costs."""
    figure = filled(order, total)
    yield figure, 0.0
    if not _FEWEST_TURNED <= total <= len(order) or before == "apart" or direction == "alternating":
        return
    begins = _BEGINS_ROUND * (before == "next pass")
    first, *between, last = figure
    yield figure[::-1], _ROUND + begins
    if abs(last.semitones - first.semitones) <= _FIFTH:
        yield [last, first, *between], _OTHER_END + begins
        yield [first, last, *between[::-1]], _OTHER_END + begins


def _octave(task: _Chord, lowest: int) -> list[int]:
    """The shape up or down the octave over one tone of the scale."""
    highest = lowest + len(task.scale.degrees) - max(task.shape)
    first = highest if task.falls else lowest
    return _Walk(task.shape, first, lowest, highest, task.falls).steps(task.total)[0]


def _endings(task: _Chord, after: str) -> Iterator[tuple[list[int], float]]:
    """A chord's line in scale steps as it is; before a change it may turn half-way or end
    on another note or two."""
    plain = _octave(task, 0)
    yield plain, 0.0
    if len(plain) < 4 or after != "change":
        return
    for steps, price in [(plain, 0.0), *_turned(task)]:
        yield steps, price
        for last in _beside(steps[-2], steps[-1]):
            wide = _AUGMENTED if _is_augmented(task, steps[-2], last) else 0.0
            yield [*steps[:-1], last], price + _OTHER_LAST + wide
        for other in _beside(steps[-3], steps[-2]):
            for last in (other - 1, other + 1, other - 2, other + 2):
                if last not in (steps[-1], steps[-3]):
                    skip = _SKIPPED * (abs(last - other) > 1)
                    wide = skip + _AUGMENTED * _is_augmented(task, other, last)
                    yield [*steps[:-2], other, last], price + _OTHER_TWO + wide


def _cheapest(endings: Iterable[tuple[list[int], float]]) -> Iterator[tuple[list[int], float]]:
    """Of the lines that begin and end alike, those that no cheaper one replaces in every range."""
    kept: dict[tuple[int, int, bool], list[tuple[int, int]]] = {}
    for steps, price in sorted(endings, key=lambda each: each[1]):
        low, high = min(steps), max(steps)
        rises = len(steps) > 1 and steps[-1] > steps[-2]
        narrower = kept.setdefault((steps[0], steps[-1], rises), [])
        if not any(low <= other and top <= high for other, top in narrower):
            narrower.append((low, high))
            yield steps, price


def _turned(task: _Chord, lowest: int = 0) -> Iterator[tuple[list[int], float]]:
    """The line turning on whole figures, half-way at best: 1 2 3 4 3 2 1 7, 1 2 3 4 5 4 3 2, with
    what each turn costs; one in steps sooner or later as well, a short one at once."""
    size = len(task.shape)
    groups, half = task.total // size, task.total // size // 2
    sooner_or_later = range(1 if groups <= 4 else 2, groups)
    for number in sooner_or_later if size == 1 else (half,):
        price = _TURNED + _EARLIER * abs(number - half)
        for steps in _turned_after(task, lowest, number) if half else ():
            yield steps, price


def _turned_after(task: _Chord, lowest: int, groups: int) -> Iterator[list[int]]:
    onward = -1 if task.falls else 1
    first = _octave(task, lowest)[: groups * len(task.shape)]
    place = first[-len(task.shape)] if onward > 0 else first[-1]
    back = task.shape if task.falls else task.shape[::-1]
    for begins in (place + onward, place, place - onward):
        places = (begins - onward * turn for turn in range(task.total))
        rest = [place + each for place in places for each in back]
        if rest[0] != first[-1]:
            yield [*first, *rest][: task.total]


def _beside(place: int, but: int) -> Iterator[int]:
    return (place + skip for skip in _SKIPS if place + skip != but)


def _is_augmented(task: _Chord, one: int, other: int) -> bool:
    """Whether a step, or a skip of two, sounds wider than it is: Ab to B."""
    low, high = (step(task.scale, each).semitones for each in sorted((one, other)))
    return high - low > _WIDEST[abs(other - one)]


def _bebop(task: _Chord, before: str) -> Iterator[tuple[list[int], float]]:
    """A bebop line from each tone of its scale: the root first, then the third, then whatever the
    passing note of the line before leads to, and so that the chord tones come on the beats."""
    third, led = _third(task), before not in ("next pass", "apart")
    for start in range(len(task.scale.degrees)):
        if start in (0, third) or (led and task.added):
            price = _THIRD if start == third else _ELSEWHERE if start else 0.0
            price *= 1 if led else _NOT_LED
            for steps, more in ((_octave(task, start), 0.0), *_turned(task, start)):
                missed = _MISSED * _missed(task, task.degrees(steps))
                yield steps, price + more + missed


def _third(task: _Chord) -> int:
    """The step of the scale's third; its second step where it has none."""
    thirds = (i for i, each in enumerate(task.scale.degrees) if each == task.chord.degree(3))
    return next(thirds, 1)


def _missed(task: _Chord, eighths: list[Degree]) -> int:
    """How many beats of a bebop line fall on other than chord tones."""
    return sum(not lands(task.scale, task.chord, degree) for degree in eighths[::2])


# Connected: one line through all the chords, up and down the whole range. At a change it goes where
# it would have gone in the old scale, or to the tone of the new one that lies there; where the
# pattern itself skips there (as groups of four do), only a step into that direction.

_STEP = 2  # semitones


def _through(tasks: list[_Chord], context: PassContext, options: ScalePattern) -> Iterator[_Line]:
    falls = options.direction == "down"
    due = context.closest(tasks[0].chord.root, context.near).midi if tasks else 0
    last: int | None = None  # MIDI key
    for task in tasks:
        root = context.closest(task.chord.root, due)
        walk = min(
            _walks(task, root, falls, context),
            key=lambda walk, task=task, root=root, due=due, last=last: _astray(  # type: ignore[misc]
                walk, task, root, due, last, bebop=options.bebop
            ),
        )
        steps, falls = walk.steps(task.total + 1)
        *degrees, following = task.degrees(steps)
        pitches = folded(root, degrees, context.low, context.high)
        last = pitches[-1].midi
        due = root.midi + following.semitones  # what would come next, went this chord on
        due = min(max(due, last - _STEP), last + _STEP)
        yield list(zip(degrees, pitches, strict=True))


def _walks(task: _Chord, root: Pitch, falls: bool, context: PassContext) -> Iterator[_Walk]:
    """Every walk within the range that sets out this way."""
    reach = context.high - context.low + 1  # more steps than any scale has in the range
    inside = [
        each
        for each in range(-reach, reach)
        if context.holds(root.midi + step(task.scale, each).semitones)
    ]
    lowest, highest = inside[0], inside[-1] - max(task.shape)
    for place in range(lowest, highest + 1):
        yield _Walk(task.shape, place, lowest, highest, falls)


def _astray(
    walk: _Walk, task: _Chord, root: Pitch, due: int, last: int | None, *, bebop: bool
) -> tuple[int, bool, int, int]:
    """What is wrong with a walk: beats without chord tones where these matter, then that it begins
    further than a step from the last note or says it again, how far from the due note it begins,
    and that it begins behind it."""
    degrees = task.degrees(walk.steps(task.total)[0])
    missed = _missed(task, degrees) if bebop else 0
    first = root.midi + degrees[0].semitones
    beyond = due - first if walk.falls else first - due
    unresolved = last is not None and not 0 < abs(first - last) <= _STEP
    return missed, unresolved, abs(beyond), -beyond


_CHORD_TONES = (1, 3, 5, 7)
_EIGHTH = Fraction(1, 2)  # quarter notes


def intervals(context: PassContext, options: Intervals) -> list[Note]:
    """Two notes a chord, each pair close to the one before."""
    notes: list[Note] = []
    near = context.near
    for index, cell in enumerate(context.cells):
        name = options.sizes[(index + context.turn) % len(options.sizes)]
        down = options.direction == "down" or (options.direction == "both" and index % 2 == 1)
        tone = degree_of(cell, _CHORD_TONES[index % 4] if options.start == "chord tones" else 1)
        first, second = _pair(
            cell.chord.root.above(tone), INTERVAL_DEGREES[name], down, near, context
        )
        # Half-way back to where the line began, so that a cycle of fourths does not climb away.
        near = (first.midi + context.near) // 2
        place, length = _places(cell, context.beat, sung=options.sung)
        start, end = cell.span.start, cell.span.end
        notes.append(Note(start, length, first, mark=str(tone)))
        notes.append(Note(start + place, end - start - place, second, mark=f"{'-' * down}{name}"))
    return notes


def _pair(
    name: Name, interval: Degree, down: bool, near: int, context: PassContext
) -> tuple[Pitch, Pitch]:
    """The first note and the one an interval from it, both in the range where that can be."""
    way = -1 if down else 1
    other = Name(name.fifths + way * interval.fifths)
    firsts = in_range(name, context.low, context.high)
    held = [f for f in firsts if context.holds(f.midi + way * interval.semitones)]
    first = min(
        held or firsts or [context.closest(name, near)],
        key=lambda pitch: (abs(pitch.midi - near), pitch.midi),
    )
    second = Pitch.near(other, first.midi + way * interval.semitones)
    return readable(first), context.within(readable(second))


def _places(cell: Cell, beat: Fraction, *, sung: bool) -> tuple[Fraction, Fraction]:
    """When the second note comes after the first, half-way on a beat where there are two, and how
    long the first one sounds; quarter notes."""
    duration = cell.span.duration
    unit = beat if duration >= 2 * beat and duration % beat == 0 else _EIGHTH
    place = min(-(-duration // (2 * unit)) * unit, duration - min(unit, duration / 2))
    if not sung or place <= _EIGHTH:
        return place, place
    return place, place - unit if place > unit else place - _EIGHTH
