"""Walking bass: a note a beat that outlines the chords and leads into each change.

Each chord's notes are the cheapest path from its first note to the next chord's first note, and the
last bar of a pass leads into whatever follows it: the next pass or key, a tag, the ending (common
practice).  The line goes up and down in arcs; where a chord stays, its later downbeats are other
tones than the root.  What a note, the motion to it, and saying something again cost, are tables.

Where a chord changes between the beats (two chords that share a bar of 3/4 or 5/4), the note before
is held into the change and the change into the next beat: dotted quarters in 3/4, never a lone
eighth beside a change (common practice).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import dropwhile, islice, zip_longest
from random import Random
from typing import Any

from quicktions import Fraction

from drillgen.chart import Bar
from drillgen.drill.lines import Walking
from drillgen.lines.pass_context import (
    Cell,
    PassContext,
    cells,
    degree_of,
    stepped,
)
from drillgen.lines.walking_ways import (
    ARCHED,
    CLOSING,
    LEAP,
    LEAP_TO_PASSING,
    OCTAVE,
    STEP,
    Arcs,
    Step,
    Way,
    approaches,
    arrivals,
    begun,
    heading,
    inner,
    intervals,
    leads,
    name_of,
    noise,
    onward,
    passing_notes,
    targets,
)
from drillgen.score import Note
from drillgen.theory.pitch import Degree, Name, Pitch, in_range
from drillgen.theory.scales import chord_scale

# The bones of a walking line: what is left when only roots and guide tones are kept.


def bare(notes: Sequence[Note], context: PassContext) -> list[Note]:
    """A line's roots and guide tones, each held until the next of them or where the line stops."""
    held: list[Note] = []
    for cell in context.cells:
        guides = (cell.chord.root.above(degree) for degree in cell.chord.guide_tones)
        kept = {name.pitch_class for name in (cell.chord.root, cell.chord.bass_name, *guides)}
        for note in notes:
            if not cell.span.start <= note.start < cell.span.end:
                continue
            if note.pitch.name.pitch_class in kept:
                held.append(note)
            elif held and held[-1].start + held[-1].duration == note.start:
                held[-1] = replace(held[-1], duration=held[-1].duration + note.duration)
    return held


# What a walking bass remembers, so as not to say the same thing again.
#
# Common practice: a player varies. A bar is not played as it was the last times that its chords
# came, wherever in the form that was; nor is it unrelated: another note or two do. A figure is not
# used for two chords that are close together.

Figure = tuple[int, ...]  # semitones over a root or from note to note: the same in every key

_LATELY = 4  # chords
_REMEMBERED = 6  # bars over the same chords
_AGAIN = 1.0  # an interval of a figure that one of the last few chords had, too
_AS_BEFORE = 8.0  # a bar as one of those
_VARIED = -0.8  # … as one of those but for a note or two
_MOST_VARIED = 2


class Memory:
    """The figures of the last few chords, and the last bars over each sequence of chords."""

    def __init__(self, context: PassContext, *, aside: bool = False) -> None:
        """`aside`: the pass is the second of two that share a line, and says it again."""
        self._called: dict[Hashable, list[Any]] = context.track.called
        self._bars = {bar.start: bar for bar in context.bars}
        self._number = context.bars[0].pass_number
        self._twin = self._number - 1 if aside else None
        self._lately: deque[Figure] = deque(maxlen=_LATELY)
        self._bar: list[Figure] = []  # the notes in this bar so far

    def price(self, cell: Cell, path: Sequence[Pitch]) -> float:
        """What it costs to play some notes over a chord."""
        figure = intervals(path)
        cost = _AGAIN * len(figure) if figure in self._lately else 0.0
        if self._ends_bar(cell):
            bar = (*self._bar, self._notes(cell, path))
            apart = [_apart(bar, other) for other in self._before(cell)]
            cost += _AS_BEFORE * apart.count(0)
            cost += _VARIED if any(0 < each <= _MOST_VARIED for each in apart) else 0.0
        return cost

    def keep(self, cell: Cell, path: Sequence[Pitch]) -> None:
        """Remember what is played."""
        self._lately.append(intervals(path))
        self._bar.append(self._notes(cell, path))
        if self._ends_bar(cell):
            before = self._called.setdefault(self._chords(cell), [])
            before.append((self._number, tuple(self._bar)))
            self._bar = []

    def _before(self, cell: Cell) -> Iterator[tuple[Figure, ...]]:
        """The last bars over the same chords."""
        before = reversed(self._called.get(self._chords(cell), ()))
        return islice((bar for number, bar in before if number != self._twin), _REMEMBERED)

    def _chords(self, cell: Cell) -> Hashable:
        """The chords of the bar that a chord ends, seen from their key."""
        bar = self._bars[cell.bar_start]
        return "walked", tuple(
            (_over(span.chord.root, bar.key.tonic), span.chord.degrees, span.duration)
            for span in bar.spans
            if span.chord is not None
        )

    def _ends_bar(self, cell: Cell) -> bool:
        return cell.span.end == self._bars[cell.bar_start].end

    @staticmethod
    def _notes(cell: Cell, path: Sequence[Pitch]) -> Figure:
        return tuple(_over(pitch.name, cell.chord.root) for pitch in path)


def _over(name: Name, other: Name) -> int:
    return (name.pitch_class - other.pitch_class) % OCTAVE


def _apart(one: Sequence[Figure], other: Sequence[Figure]) -> int:
    """How many notes two bars over the same chords have otherwise."""
    pairs = [zip_longest(a, b) for a, b in zip_longest(one, other, fillvalue=())]
    return sum(a != b for pair in pairs for a, b in pair)


_UNLED = 3.0  # where a chord goes on: into it by another interval than leads into a change
_UNLED_AT_THE_END = 12.0  # … into what comes after the pass


def write(context: PassContext, options: Walking) -> list[Note]:
    """A walking line as a study; in two, half as many notes.

    Alternating passes share one line: its roots and guide tones first, then all of it.
    """
    shares = options.version == "alternating"
    random = Random(f"{context.seed} {context.turn // 2}") if shares else context.random
    after = _after(context, shares)
    found = tuple(cells(context.bars, after))
    notes = walk(replace(context, random=random, cells=found), options, after)
    is_bare = {"full": False, "bare": True, "alternating": context.turn % 2 == 0}
    return bare(notes, context) if is_bare[options.version] else notes


def _after(context: PassContext, shares: bool) -> Bar | None:
    """The bar that a pass leads into; a line that two passes share, what follows the second."""
    here = context.bars[-1]
    later: Iterable[Bar] = (bar for bar in context.track.bars if bar.number > here.number)
    if shares and context.turn % 2 == 0:
        second = here.key_number, here.pass_number + 1, False
        # A tag and the ending have the number of the last pass, which they come after.
        later = dropwhile(
            lambda bar: (
                (bar.key_number, bar.pass_number, bar.tag or bar.role == "ending") == second
            ),
            later,
        )
    return next(iter(later), None)


def walk(context: PassContext, options: Walking, after: Bar | None) -> list[Note]:
    """A note a beat (in two, every other beat) through every chord of the pass, and led into
    the bar that comes after it, whose first note the track is told."""
    aside = options.version == "alternating" and context.turn % 2 == 1
    ends = after is not None and after.role == "ending"
    notes: list[Note] = []
    # Where the chord begins; None after a rest.
    pitch = context.track.led.get(context.bars[0].number)
    begins = pitch or _first(context)
    arcs = Arcs(context, begins.midi if begins else context.near)
    walker = _Walker(context, options, Memory(context, aside=aside), arcs, ends)
    for index, cell in enumerate(context.cells):
        come_from = [notes[-1].pitch] if notes and pitch is not None else []
        if pitch is None:
            pitch = context.closest(cell.chord.bass_name, context.near)
        goes_on = index > 0 and context.cells[index - 1].chord == cell.chord
        places, path, target = walker.over(cell, [*come_from, pitch])
        notes += _noted(cell, places, path, first_mark="" if goes_on else "1")
        pitch = target if cell.following else None
    if after is not None and pitch is not None:
        context.track.led[after.number] = pitch
    return notes


def _first(context: PassContext) -> Pitch | None:
    """Where a pass begins that nothing leads to."""
    for cell in context.cells[:1]:
        return context.closest(cell.chord.bass_name, context.near)
    return None


def _noted(
    cell: Cell, places: Sequence[Fraction], path: Sequence[Pitch], first_mark: str
) -> Iterator[Note]:
    guides = {cell.chord.root.above(degree): str(degree) for degree in cell.chord.guide_tones}
    ends = [*places[1:], cell.span.end]
    for place, end, pitch in zip(places, ends, path, strict=True):
        mark = guides.get(pitch.name, first_mark if place == cell.span.start else "")
        yield Note(place, end - place, pitch, mark=mark)


# In two, a bar of 4/4 has a note on 1 and on 3, and now and then an eighth on 4& that leads on.

_EIGHTH = Fraction(1, 2)
# What its third beat has, and how often (common practice: mostly the fifth); after another first
# note than the root, that: two notes without it are heard as another chord.
_ON_THREE = {5: 0.79, 3: 0.08, 8: 0.07, 6: 0.06}
_SIXTH = Degree(6)
_LED_IN_TWO = 0.3  # of bars have an eighth that leads on
_LEAPT_TO = 2.0  # an eighth that is leapt to
_SAID_IN_TWO = 0.15  # of what it costs to say a bar again: two notes are soon said
_NOT_DRAWN = 3.0  # what it costs to do otherwise than was drawn
_NOT_ON_THREE = 5.0  # … on the third beat: for 70 % of fifths, since some bars cannot have theirs
# What an interval costs, by semitones: leaps are the nature of notes that stand far apart.
_IN_TWO = (4.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.8, 0.0, 1.0, 1.0, 1.5, 4.0, 1.0, 9.0)


def _wide(distance: int) -> float:
    return _IN_TWO[min(abs(distance), OCTAVE + 1)]


def _seconds(
    cell: Cell, first: Pitch, drawn: int, context: PassContext
) -> Iterator[tuple[Pitch, float]]:
    """What may stand on the third beat: another note than the first, with what it costs."""
    on_bass = first.name == cell.chord.bass_name
    degrees = {number: degree_of(cell, number) for number in ((1, 3, 5) if on_bass else (1,))}
    if on_bass and chord_scale(cell.chord, cell.key, cell.span.leads_to).has(_SIXTH):
        degrees[_SIXTH.number] = _SIXTH
    own = {name.pitch_class for name in cell.chord.names[:4]}
    for number, degree in degrees.items():
        name = cell.chord.root.above(degree)
        price = 0.0 if number == drawn or (drawn, number) == (8, 1) else _NOT_ON_THREE
        for pitch in in_range(name, context.low, context.high):
            belongs = name.pitch_class in own or degree == _SIXTH
            if belongs and pitch.midi != first.midi:
                yield pitch, price + noise(context)


# What chords begin on, in the student's line.

_ROOT_ONLY = ((1, 0.0),)
# Where a chord goes on: what its downbeats stand on, and what each costs; now and then its root.
_STAYS_ON = ((5, 0.1), (3, 0.0), (7, 0.2), (6, 0.2), (9, 0.7))
_STAYS_ON_IN_TWO = ((5, 0.1), (3, 0.0))  # … for half a bar
_LATELY_THERE = 0.8  # on the same one as the downbeat before
_ROOT_AMONG_FOUR = 4  # downbeats of chords that stay, of which one at most is the root
_OTHER_AMONG_FIVE = 5  # changes, of which one at most is to another tone than the root
_OTHERS_ON_ONE = ((3, 0.0), (5, 0.3), (7, 0.8))
# A bass closes at or below C3 (MIDI key 48; common practice).
_CLOSES_BELOW, _CLOSES_HIGH = 48, 20.0


@dataclass(slots=True)
class _Walker:
    """Who finds the way through one chord after the other."""

    context: PassContext
    options: Walking
    memory: Memory
    arcs: Arcs
    ends: bool  # whether the last chord of all comes after the pass
    stays: int = 0  # downbeats of chords that stay since one was the root
    changes: int = 0  # … changes since one was to another tone
    stood_on: int = 1  # the degree of the last downbeat of a chord that stays

    def __post_init__(self) -> None:
        self.stays = self.context.random.randrange(_ROOT_AMONG_FOUR)

    def over(
        self, cell: Cell, so_far: list[Pitch]
    ) -> tuple[Sequence[Fraction], list[Pitch], Pitch]:
        """Where a chord's notes begin, the cheapest notes there, and the next chord's first note.

        `so_far` ends with the chord's first note; before it may stand the note that it is reached
        from.
        """
        degrees = self._first_degrees(cell)
        found = self._in_two(cell, so_far, degrees) or self._walked(cell, so_far, degrees)
        self._count(cell, found[2])
        self.memory.keep(cell, found[1])
        return found

    def _first_degrees(self, cell: Cell) -> Sequence[tuple[int, float]]:
        """What the next chord may begin on.  A bass that is written is played, and so is the root
        of what comes after the pass: a pass or an ending (common practice)."""
        if cell.following is None or cell is self.context.cells[-1]:
            return _ROOT_ONLY
        following = cell.following[0]
        if following.bass is not None:
            return _ROOT_ONLY
        if following == cell.chord:
            others = [
                (number, price + _LATELY_THERE * (number == self.stood_on))
                for number, price in (_STAYS_ON_IN_TWO if self.options.two_beat else _STAYS_ON)
            ]
            return others if self.stays < _ROOT_AMONG_FOUR - 1 else [(1, 0.0), *others]
        if self.options.beat_one == "chord tone" and self.changes >= _OTHER_AMONG_FIVE - 1:
            return _OTHERS_ON_ONE
        return _ROOT_ONLY

    def _count(self, cell: Cell, target: Pitch) -> None:
        if cell.following is None:
            return
        on_root = target.name == cell.following[0].bass_name
        if cell.following[0] == cell.chord:
            self.stays = 0 if on_root else self.stays + 1
            degrees = (number for number, _ in _STAYS_ON)
            names = {name_of(number, *cell.following): number for number in degrees}
            self.stood_on = names.get(target.name, 1)
        else:
            self.changes = self.changes + 1 if on_root else 0

    def _walked(
        self, cell: Cell, so_far: list[Pitch], degrees: Sequence[tuple[int, float]]
    ) -> tuple[Sequence[Fraction], list[Pitch], Pitch]:
        context, first = self.context, so_far[-1]
        places = stepped(cell, context.beat, 2 if self.options.two_beat else 1)
        leads_in = cell.following is not None and cell.following[0] != cell.chord
        middle = range(1, len(places) - 1 if leads_in else len(places))
        aim = heading(cell, self.arcs)
        ways = onward(begun(so_far), [self._inner(cell, index, places) for index in middle], aim)
        best: tuple[float, list[Pitch], Pitch] | None = None
        for target, price in targets(cell, first, context, degrees, self.arcs):
            last = []
            closes = self.ends and cell is context.cells[-1]
            price += _CLOSES_HIGH * (closes and target.midi > _CLOSES_BELOW)
            if leads_in and len(places) > 1:
                last = [approaches(cell, first, target, context, self.options, closes=closes)]
            for cost, way in arrivals(onward(ways, last, aim), target):
                if best is not None and cost + price + _VARIED >= best[0]:
                    break  # the others cost more still
                total = cost + price + self._habits(cell, way, target)
                if best is None or total < best[0]:
                    best = (total, way.path, target)
        assert best is not None  # there is always a target: at least the nearest note
        return places, best[1], best[2]

    def _inner(self, cell: Cell, index: int, places: Sequence[Fraction]) -> Step:
        """What may stand on one beat; every other bar of a chord that stays, a passing note between
        the strong ones."""
        step = list(inner(cell, index, places[index], self.context, self.arcs))
        stays = cell.following is not None and cell.following[0] == cell.chord
        bar = (cell.bar_start - self.context.bars[0].start) // self.context.bars[0].length
        if stays and index % 2 and bar % 2:
            step += passing_notes(cell, self.context, self.arcs)
        return step

    def _habits(self, cell: Cell, way: Way, target: Pitch) -> float:
        """What a way costs as a whole: saying something again, not leading into the target, or
        leaping to one that is none of its chord's tones."""
        if cell.following is not None and abs(target.midi - way.key) > STEP:
            chord = cell.following[0]
            astray = LEAP_TO_PASSING * (target.name not in (*chord.names, chord.bass_name))
        else:
            astray = 0.0
        led = cell.following is None or leads(target.midi - way.key)
        unled = _UNLED_AT_THE_END if cell is self.context.cells[-1] else _UNLED
        return self.memory.price(cell, way.path) + astray + (0.0 if led else unled)

    def _in_two(
        self, cell: Cell, so_far: list[Pitch], degrees: Sequence[tuple[int, float]]
    ) -> tuple[Sequence[Fraction], list[Pitch], Pitch] | None:
        """A bar in two: its first note, another tone of the chord on 3, and now and then the note
        on 4& that leads on."""
        context, first = self.context, so_far[-1]
        if not self.options.two_beat or cell.span.duration != 4 * context.beat:
            return None
        start = cell.span.start
        drawn = context.random.choices([*_ON_THREE], [*_ON_THREE.values()])[0]
        leads_on = context.random.random() < _LED_IN_TWO
        closes = self.ends and cell is context.cells[-1]
        ways: list[tuple[float, list[Pitch], Pitch]] = []
        seconds = list(_seconds(cell, first, drawn, context))
        height = self.arcs.at(start + 2 * context.beat)
        for target, price in targets(cell, first, context, degrees, self.arcs):
            price += _CLOSES_HIGH * (closes and target.midi > _CLOSES_BELOW)
            for second, more in seconds:
                bent = ARCHED * (second.midi - height) ** 2
                cost = price + more + bent + _wide(second.midi - first.midi)
                for path, last in self._led(cell, [first, second], target, leads_on=leads_on):
                    ways.append((cost + last, path, target))
        best: tuple[float, list[Pitch], Pitch] | None = None
        for cost, path, target in sorted(ways, key=lambda way: way[0]):
            if best is not None and cost + _SAID_IN_TWO * _VARIED >= best[0]:
                break  # the others cost more still
            total = cost + _SAID_IN_TWO * self.memory.price(cell, path)
            if best is None or total < best[0]:
                best = (total, path, target)
        if best is None:
            return None
        offbeat = start + 4 * context.beat - _EIGHTH
        return [start, start + 2 * context.beat, offbeat][: len(best[1])], best[1], best[2]

    def _led(
        self, cell: Cell, path: list[Pitch], target: Pitch, *, leads_on: bool
    ) -> Iterator[tuple[list[Pitch], float]]:
        """How a bar in two goes into the next one: from its second note, or from an eighth."""
        second, closes = path[-1], self.ends and cell is self.context.cells[-1]
        led = second.midi - target.midi in CLOSING if closes else leads(target.midi - second.midi)
        unled = 0.0 if led else 2 * _UNLED if closes else _UNLED
        far = _wide(target.midi - second.midi) if target != second else 0.0
        yield path, unled + far + leads_on * _NOT_DRAWN
        if cell.following is None or second == target:  # an eighth would lead nowhere
            return
        own = chord_scale(cell.chord, cell.key, cell.span.leads_to).names(cell.chord.root)
        for each in approaches(cell, path[0], target, self.context, self.options, closes=closes):
            away = each.key - second.midi
            leapt_outside = abs(away) > STEP and each.pitch.name not in own
            if away and not leapt_outside and 0 < abs(each.key - target.midi) <= STEP:
                moved = _wide(away) + _LEAPT_TO * (abs(away) > LEAP)
                yield [*path, each.pitch], each.price + moved + (not leads_on) * _NOT_DRAWN
