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

from bisect import bisect_right
from collections import deque
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from itertools import dropwhile, islice, pairwise, zip_longest
from random import Random
from typing import Any, NamedTuple

from drillgen.chart import Bar
from drillgen.drill.lines import LedBy, Walking
from drillgen.lines.pass_context import (
    Cell,
    PassContext,
    beside,
    cells,
    degree_of,
    stepped,
)
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Key, Name, Pitch, in_range
from drillgen.theory.scales import chord_scale

# The cheapest way through some notes: what a walking line's motion costs.
#
# The costs are the taste, as a table (common practice): steps are free and leaps must pay, a leap
# lands on a chord tone, two leaps are not made one after the other, and nothing goes to and fro.
#
# A walking line tries many thousands of moves, so pitches are compared by MIDI keys that are looked
# up once, and a way is a chain of notes each of which knows the one before.

# What a melodic interval costs, by semitones: steps are free, leaps must pay.
_INTERVAL = (6.0, 0.0, 0.0, 0.9, 0.9, 1.3, 4.0, 1.6, 4.0, 4.0, 5.0, 6.0, 4.5)
_TOO_FAR = 12  # semitones; wider leaps are not tried
_OUT_OF_REACH = 50.0  # the last resort in a narrow range
_TURN = 0.8  # the line changes direction
_AGAINST = 0.7  # a step against the direction that the line has here
_STEP = 2  # semitones
_LEADING = (1, 2, 5, 7)  # semitones
_LEAP_TO_PASSING = 1.8  # a leap should land on a chord tone
_SEESAW = 3.0  # back to the note before last
_LEAP = 5  # semitones
_LEAP_AFTER_LEAP = 1.2


class PitchChoice(NamedTuple):
    """A pitch that may stand on a beat."""

    pitch: Pitch
    key: int  # its MIDI key
    price: float  # what it costs by itself
    lands: bool  # whether a leap may land there
    passes: bool = False  # whether it must be come to by a semitone and left by the next one


Step = Sequence[PitchChoice]  # one beat to fill


class Way(NamedTuple):
    """A way to a pitch, from the first note of a chord."""

    cost: float
    pitch: Pitch
    key: int  # its MIDI key
    came: int | None  # semitones from the note before; None where there was none
    before: Way | None  # None where the way begins
    passes: bool = False  # whether it must go on by a semitone as it came

    def goes_on(self, distance: int) -> bool:
        """Whether it may go on by an interval: always, but from a passing note."""
        return not self.passes or distance == self.came

    @property
    def path(self) -> list[Pitch]:
        """The pitches from the beginning."""
        path: list[Pitch] = []
        way: Way | None = self
        while way is not None:
            path.append(way.pitch)
            way = way.before
        return path[::-1]


# The cheapest way to each pitch, by its MIDI key and the direction it was reached in.
Ways = dict[tuple[int, int], Way]


def intervals(path: Sequence[Pitch]) -> tuple[int, ...]:
    """The melodic intervals of a path, in semitones."""
    return tuple(b - a for a, b in pairwise([pitch.midi for pitch in path]))


def begun(path: Sequence[Pitch]) -> Ways:
    """The one way that begins with the last note of a path, reached from the note before it."""
    key = path[-1].midi
    came = key - path[-2].midi if len(path) > 1 else None
    direction = 0 if not came else (1 if came > 0 else -1)
    return {(key, direction): Way(0.0, path[-1], key, came, None)}


def onward(ways: Ways, steps: Sequence[Step], aim: int) -> Ways:
    """Go on through some beats, keeping the cheapest way to each pitch from above and from below
    (dynamic programming)."""
    for step in steps:
        reached: Ways = {}
        for (_, direction), way in ways.items():
            moves = _moves(way.came, direction)
            for pitch, key, price, lands, passes in step:
                distance = key - way.key
                moved = moves.get(distance)
                if moved is None or not way.goes_on(distance) or (passes and abs(distance) != 1):
                    continue
                total = way.cost + price + moved + (_AGAINST if distance * aim < 0 else 0.0)
                total += 0.0 if lands or abs(distance) <= _STEP else _LEAP_TO_PASSING
                state = (key, 1 if distance > 0 else -1)
                if state not in reached or total < reached[state].cost:
                    reached[state] = Way(total, pitch, key, distance, way, passes)
        ways = reached or ways
    return ways


def arrivals(ways: Ways, target: Pitch) -> list[tuple[float, Way]]:
    """The ways to the note before `target` and their costs with the step to it, cheapest first."""
    key = target.midi
    costs = [
        (way.cost + _moves(way.came, direction).get(key - way.key, _OUT_OF_REACH), way)
        for (_, direction), way in ways.items()
        if way.goes_on(key - way.key)
    ]
    return sorted(costs, key=lambda arrival: arrival[0])


def leads(distance: int) -> bool:
    """Whether an interval in semitones leads into a downbeat: a step, a fourth or a fifth (common
    practice)."""
    return abs(distance) in _LEADING


@lru_cache(maxsize=1024)
def _moves(came: int | None, direction: int) -> Mapping[int, float]:
    """What it costs to go on by each interval that is not too far, after having come by another."""
    return {
        distance: _move(came, direction, distance) for distance in range(-_TOO_FAR, _TOO_FAR + 1)
    }


def _move(came: int | None, direction: int, distance: int) -> float:
    cost = _INTERVAL[abs(distance)]
    if distance * direction < 0:
        cost += _TURN
    if came is not None:
        cost += _SEESAW if distance == -came else 0.0
        leaps = min(abs(distance), abs(came)) >= _LEAP
        cost += _LEAP_AFTER_LEAP if leaps else 0.0
    return cost


# What a walking bass may play on each beat of a chord, and what each note costs by itself.
#
# Common practice: the root, or the bass that is written, where a chord begins; chord tones on
# strong beats; and a note a semitone, a whole tone or a fifth away before the change. The costs are
# the taste, as a table; a little seeded noise keeps two choruses from being the same.

_WEAK_SCALE_TONE = 0.3  # a scale tone that is no chord tone, on a weak beat
_STRONG_SCALE_TONE = 3.5  # … on a strong beat
_PASSING = -1.6  # … a chromatic passing note, due in every other bar of a chord that stays
_ARCHED = 0.018  # a semitone away from where the arc is, squared
_NOISE = 0.7  # less than the taste: a step against a leap
_CONTRADICTS = 40.0  # an approach that is the sounding chord's other third, or its other seventh
_FOREIGN = 4.0  # a whole tone or a fifth away and outside the sounding chord's scale
_STEPS_BACK = 7.0  # a whole tone into a change over the note that this chord began on: E D# F
# How the last note leads into the next chord, by its distance to the target in semitones.
_APPROACH = {
    "mixed": {1: 0.0, -1: 0.0, 2: 0.6, -2: 0.6, 7: -0.9, -5: -0.9},
    "chromatic": {1: 0.0, -1: 0.0, 2: 2.0, -2: 2.0, 7: 4.0, -5: 4.0},
    "dominant": {1: 2.5, -1: 2.5, 2: 3.0, -2: 3.0, 7: 0.0, -5: 0.0},
}
_WALKING_BEATS_STEP = 2  # semitones
_ASTRAY = 6.0  # another octave of the next chord's bass where that lies a step away
# Thirds, sevenths (a sixth stands for a major one) and flat fifths, and what contradicts each, in
# semitones over the root.
_OTHERS = ((3, 4), (4, 3), (10, 11), (11, 10), (9, 10), (6, 7))
_DOMINANT, _FLAT_NINTH = {4, 10}, 1
_OCTAVE, _FIFTH = 12, 7  # semitones
_ROOT_ONLY = ((1, 0.0),)
# Where a chord goes on: what its downbeats stand on, and what each costs; now and then its root.
_STAYS_ON = ((5, 0.1), (3, 0.0), (7, 0.2), (6, 0.2), (9, 0.7))
_LATELY_THERE = 0.8  # on the same one as the downbeat before
_ROOT_AMONG_FOUR = 4  # downbeats of chords that stay, of which one at most is the root
_OTHER_AMONG_FIVE = 5  # changes, of which one at most is to another tone than the root
_OTHERS_ON_ONE = ((3, 0.0), (5, 0.3), (7, 0.8))
_NINTH = Degree(9)
# The last chord of all: from its 5 or 2 or a semitone above, rather down than up, to a root at or
# below C3 (MIDI key 48), where a bass closes (common practice).
_CLOSES_BELOW = 48
_CLOSING = {1: 0.0, 2: 0.2, 7: 0.1, -1: 0.9, -5: 0.5}
_CLOSES_HIGH = 20.0
_DIMINISHED_FIFTH = 4.0  # from a fifth above a chord that has a flat one


class _Tone(NamedTuple):
    """A note of a chord or its scale."""

    pitch: Pitch
    key: int  # its MIDI key
    in_chord: bool


class Arcs:
    """Where the line lies through a pass: up to one peak and down again in two to four bars.

    Common practice: a bass line has a direction over several bars, not one in each.
    """

    def __init__(self, context: PassContext, first: int) -> None:
        """It begins on the MIDI key of the line's first note."""
        random, bars = context.random, context.bars
        share = (first - context.low) / max(context.high - context.low, 1)
        rises = random.random() < 1 - share
        self._knots: list[tuple[Fraction, float]] = [(bars[0].start, first)]
        place, rises = bars[0].start + random.choice(_LEGS) * bars[0].length, not rises
        while self._knots[-1][0] <= bars[-1].end:
            low, high = _PEAKS if not rises else _VALLEYS
            share = random.uniform(low, high)
            self._knots.append((place, context.low + share * (context.high - context.low)))
            place += random.choice(_LEGS) * bars[0].length
            rises = not rises
        self._places = [place for place, _ in self._knots]

    def at(self, place: Fraction) -> float:
        """The height of the arc, as a MIDI key."""
        (start, low), (end, high) = self._around(place)
        return low + (high - low) * float((place - start) / (end - start))

    def heading(self, place: Fraction) -> int:
        """Up (1) or down (-1)."""
        (_, before), (_, after) = self._around(place)
        return 1 if after > before else -1

    def _around(self, place: Fraction) -> tuple[tuple[Fraction, float], tuple[Fraction, float]]:
        last = len(self._knots) - 1
        after = min(max(bisect_right(self._places, place), 1), last)
        return self._knots[after - 1], self._knots[after]


_LEGS = (1, 1, 2, 2, 2)  # bars up to a peak, or down from it
_VALLEYS, _PEAKS = (0.1, 0.35), (0.55, 0.85)  # shares of the range


def targets(
    cell: Cell, first: Pitch, context: PassContext, degrees: Sequence[tuple[int, float]], arcs: Arcs
) -> Iterator[tuple[Pitch, float]]:
    """Where the next chord may begin: on each of the degrees, with their prices, in each octave."""
    if cell.following is None:
        yield first, 0.0
        return
    chord = cell.following[0]
    height = arcs.at(cell.span.end)
    for number, price in degrees:
        name = _name_of(number, *cell.following)
        if name is None:
            continue
        for pitch in in_range(name, context.low, context.high):
            bent = _ARCHED * (pitch.midi - height) ** 2
            yield pitch, price + bent + _astray(first, pitch) + _noise(context)
        if number == 1 and not in_range(name, context.low, context.high):
            yield context.closest(chord.bass_name, first.midi), price


def _name_of(number: int, chord: Chord, key: Key) -> Name | None:
    """A chord's own tone of that degree, its bass for the root; the ninth if its scale has one."""
    if number == 1:
        return chord.bass_name
    if number == _NINTH.number:
        return chord.root.above(_NINTH) if chord_scale(chord, key).has(Degree(2)) else None
    degree = chord.degree(number)
    return chord.root.above(degree) if degree is not None else None


def heading(cell: Cell, arcs: Arcs) -> int:
    """Up (1) or down (-1): the way the basses of the chords go where they move by step (common
    practice: the line goes along with them), else the arc's."""
    along = arcs.heading(cell.span.start)
    if cell.following is None:
        return along
    return _step(cell.chord.bass_name, cell.following[0].bass_name) or along


def _step(one: Name, other: Name) -> int:
    """Up (1) or down (-1) where one bass lies a step from the other, else 0."""
    up = (other.pitch_class - one.pitch_class) % _OCTAVE
    if 0 < up <= _WALKING_BEATS_STEP:
        return 1
    return -1 if up >= _OCTAVE - _WALKING_BEATS_STEP else 0


def _astray(first: Pitch, target: Pitch) -> float:
    """What it costs to take another octave than the one in which two basses are neighbours."""
    return (
        _ASTRAY
        if _step(first.name, target.name) and abs(target.midi - first.midi) > _WALKING_BEATS_STEP
        else 0.0
    )


def inner(cell: Cell, index: int, place: Fraction, context: PassContext, arcs: Arcs) -> Step:
    """Chord and scale tones; which beats are strong is counted from the chord's start."""
    passing = _STRONG_SCALE_TONE if index % 2 == 0 else _WEAK_SCALE_TONE
    tones = _tones(cell.chord, cell.key, cell.span.leads_to, context.low, context.high)
    height = arcs.at(place)
    choices = []
    for pitch, key, in_chord in tones:
        alone = _ARCHED * (key - height) ** 2 + _noise(context)
        choices.append(PitchChoice(pitch, key, (0.0 if in_chord else passing) + alone, in_chord))
    return choices


def passing_notes(cell: Cell, context: PassContext, arcs: Arcs) -> Step:
    """What lies between the tones of a chord's scale and contradicts nothing."""
    tones = _tones(cell.chord, cell.key, cell.span.leads_to, context.low - 1, context.high + 1)
    own = {tone.key: tone.pitch for tone in tones}
    wrong = _contradictions(cell.chord)
    way = arcs.heading(cell.span.start)
    return [
        PitchChoice(beside(own[key + way], -way), key, _PASSING + _noise(context), True, True)
        for key in range(context.low, context.high + 1)
        if key not in own and key + way in own and key % _OCTAVE not in wrong
    ]


def approaches(
    cell: Cell, first: Pitch, target: Pitch, context: PassContext, options: Walking, *, closes: bool
) -> Step:
    """The notes that lead from a chord, begun on its first note, into the next one's; `closes`
    where that is the last of all."""
    into = cell.following[0] if cell.following else cell.chord
    choices = [
        PitchChoice(pitch, key, price + _back(key, first, target) + _noise(context), True)
        for pitch, key, price in _leading(
            target, cell.chord, cell.key, cell.span.leads_to, options.approach, into, closes
        )
        if context.holds(key)
    ]
    return choices or [PitchChoice(target, target.midi, 6.0, True)]


def _back(key: int, first: Pitch, target: Pitch) -> float:
    """What it costs to step to the target over the note that the chord began on."""
    steps = abs(target.midi - key) <= _WALKING_BEATS_STEP
    between = min(key, target.midi) < first.midi < max(key, target.midi)
    return _STEPS_BACK if steps and between else 0.0


def _noise(context: PassContext) -> float:
    return context.random.random() * _NOISE


@lru_cache(maxsize=1024)
def _tones(
    chord: Chord, key: Key, leads_to: Chord | None, low: int, high: int
) -> tuple[_Tone, ...]:
    """The chord's and its scale's notes in a range."""
    chord_tones = set(chord.names[:4])
    names = _scale_names(chord, key, leads_to) | chord_tones
    return tuple(
        _Tone(pitch, pitch.midi, name in chord_tones)
        for name in sorted(names, key=lambda name: name.fifths)
        for pitch in in_range(name, low, high)
    )


@lru_cache(maxsize=4096)
def _leading(
    target: Pitch,
    chord: Chord,
    key: Key,
    leads_to: Chord | None,
    approach: LedBy,
    into: Chord,
    closes: bool,
) -> tuple[tuple[Pitch, int, float], ...]:
    """The notes from which an approach leads to a target, their MIDI keys, and what each costs."""
    names = _scale_names(chord, key, leads_to)
    own = {name.pitch_class for name in names}
    wrong = _contradictions(chord)
    flat_fifth = into.fifth.semitones < _FIFTH and target.name == into.root
    found = []
    for by, price in (_CLOSING if closes else _APPROACH[approach]).items():
        pitch = _led_from(target, by, names)
        if pitch.name.pitch_class in wrong:
            price += _CONTRADICTS
        elif abs(by) > 1 and pitch.name.pitch_class not in own:
            price += _FOREIGN
        if flat_fifth and by in (_FIFTH, _FIFTH - _OCTAVE):
            price += _DIMINISHED_FIFTH
        found.append((pitch, pitch.midi, price))
    return tuple(found)


def _contradictions(chord: Chord) -> set[int]:
    """The pitch classes that deny what a chord is while it still sounds (common practice): the
    other third, the other seventh, the fifth over a flat one, and the flat ninth where there is no
    minor seventh over a major third."""
    root = chord.root.pitch_class
    tones = {(name.pitch_class - root) % 12 for name in chord.names}
    wrong = {other for own, other in _OTHERS if own in tones and other not in tones}
    if not tones >= _DOMINANT and _FLAT_NINTH not in tones:
        wrong.add(_FLAT_NINTH)
    return {(root + semitones) % 12 for semitones in wrong}


def _led_from(target: Pitch, distance: int, scale: set[Name]) -> Pitch:
    """The pitch `distance` semitones from the target, spelled by the scale or as its neighbour."""
    for name in scale:
        if (name.pitch_class - target.midi - distance) % 12 == 0:
            return Pitch.near(name, target.midi + distance)
    return beside(target, distance)


def _scale_names(chord: Chord, key: Key, leads_to: Chord | None) -> set[Name]:
    return set(chord_scale(chord, key, leads_to).names(chord.root))


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
    return (name.pitch_class - other.pitch_class) % _OCTAVE


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
# note than the root, that.
_ON_THREE = {5: 0.7, 3: 0.12, 8: 0.1, 6: 0.08}
_ON_THREE_BUT = {1: 0.6, 5: 0.25, 3: 0.15}
_SIXTH = Degree(6)
_LED_IN_TWO = 0.3  # of bars have an eighth that leads on
_LEAPT_TO = 2.0  # an eighth that is leapt to
_SAID_IN_TWO = 0.15  # of what it costs to say a bar again: two notes are soon said
_NOT_DRAWN = 3.0  # what it costs to do otherwise than was drawn
# What an interval costs, by semitones: leaps are the nature of notes that stand far apart.
_IN_TWO = (4.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.8, 0.0, 1.0, 1.0, 1.5, 4.0, 1.0, 9.0)


def _wide(distance: int) -> float:
    return _IN_TWO[min(abs(distance), _OCTAVE + 1)]


def _second_degree(cell: Cell, first: Pitch, random: Random) -> int:
    """What is drawn for the third beat."""
    shares = _ON_THREE if first.name == cell.chord.bass_name else _ON_THREE_BUT
    return random.choices([*shares], [*shares.values()])[0]


def _seconds(
    cell: Cell, first: Pitch, drawn: int, context: PassContext
) -> Iterator[tuple[Pitch, float]]:
    """What may stand on the third beat: another note than the first, with what it costs."""
    degrees = {number: degree_of(cell, number) for number in (1, 3, 5)}
    if chord_scale(cell.chord, cell.key, cell.span.leads_to).has(_SIXTH):
        degrees[_SIXTH.number] = _SIXTH
    own = {name.pitch_class for name in cell.chord.names[:4]}
    for number, degree in degrees.items():
        name = cell.chord.root.above(degree)
        price = 0.0 if number == drawn or (drawn, number) == (8, 1) else _NOT_DRAWN
        for pitch in in_range(name, context.low, context.high):
            belongs = name.pitch_class in own or degree == _SIXTH
            if belongs and pitch.midi != first.midi:
                yield pitch, price + _noise(context)


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
                for number, price in _STAYS_ON
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
            names = {_name_of(number, *cell.following): number for number in degrees}
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
        """What a way costs as a whole: saying something again, or not leading into the target."""
        led = cell.following is None or leads(target.midi - way.key)
        unled = _UNLED_AT_THE_END if cell is self.context.cells[-1] else _UNLED
        return self.memory.price(cell, way.path) + (0.0 if led else unled)

    def _in_two(
        self, cell: Cell, so_far: list[Pitch], degrees: Sequence[tuple[int, float]]
    ) -> tuple[Sequence[Fraction], list[Pitch], Pitch] | None:
        """A bar in two: its first note, another tone of the chord on 3, and now and then the note
        on 4& that leads on."""
        context, first = self.context, so_far[-1]
        if not self.options.two_beat or cell.span.duration != 4 * context.beat:
            return None
        start = cell.span.start
        drawn = _second_degree(cell, first, context.random)
        leads_on = context.random.random() < _LED_IN_TWO
        closes = self.ends and cell is context.cells[-1]
        ways: list[tuple[float, list[Pitch], Pitch]] = []
        seconds = list(_seconds(cell, first, drawn, context))
        height = self.arcs.at(start + 2 * context.beat)
        for target, price in targets(cell, first, context, degrees, self.arcs):
            price += _CLOSES_HIGH * (closes and target.midi > _CLOSES_BELOW)
            for second, more in seconds:
                bent = _ARCHED * (second.midi - height) ** 2
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
        led = second.midi - target.midi in _CLOSING if closes else leads(target.midi - second.midi)
        yield path, (0.0 if led else 2 * _UNLED if closes else _UNLED) + leads_on * _NOT_DRAWN
        if cell.following is None:
            return
        for each in approaches(cell, path[0], target, self.context, self.options, closes=closes):
            if each.key != second.midi and 0 < abs(each.key - target.midi) <= _STEP:
                away = each.key - second.midi
                moved = _wide(away) + _LEAPT_TO * (abs(away) > _LEAP)
                yield [*path, each.pitch], each.price + moved + (not leads_on) * _NOT_DRAWN
