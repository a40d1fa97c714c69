"""Walking bass: a note a beat that outlines the chords and leads into each change.

Each chord's notes are the cheapest path from its first note to the next chord's first note, and the
last bar of a pass leads into whatever follows it: the next pass or key, a tag, the ending (common
practice).  What a note and the motion to it cost stands with the search;
what saying something again costs, here.

Where a chord changes between the beats (two chords that share a bar of 3/4 or 5/4), the note before
is held into the change and the change into the next beat: dotted quarters in 3/4, never a lone
eighth beside a change (common practice).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from itertools import dropwhile, pairwise
from random import Random
from typing import NamedTuple

from drillgen.chart import Bar
from drillgen.drill.lines import LedBy, Walking
from drillgen.lines.pass_context import Cell, PassContext, beside, cells, stepped
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Key, Name, Pitch, in_range
from drillgen.theory.scales import chord_scale

# The cheapest way through some notes: what a walking line's motion costs.
#
# The costs are the taste, as a table (common practice): steps are free and leaps must pay, a leap
# lands on a chord tone, two leaps are not made one after the other, and nothing goes to and fro.
#
# A walking line tries many thousands of moves, so pitches are compared by MIDI keys that are looked
# up once, and a way is a chain of notes each of which knows the one before.

# What a melodic interval costs, by semitones: steps are free, leaps must pay.
_INTERVAL = (6.0, 0.0, 0.0, 0.9, 0.9, 1.3, 4.0, 1.6, 4.0, 4.0, 5.0, 6.0, 3.5)
_TOO_FAR = 12  # semitones; wider leaps are not tried
_OUT_OF_REACH = 50.0  # the last resort in a narrow range
_TURN = 0.5  # the line changes direction
_AGAINST = 0.7  # a step against the direction that this chord set out in
_STEP = 2  # semitones
_LEADING = (1, 2, 5, 7)  # semitones
_LEAP_TO_PASSING = 1.8  # a leap should land on a chord tone
_SEESAW = 3.0  # back to the note before last
_LEAP = 5  # semitones
_LEAP_AFTER_LEAP = 0.5


class PitchChoice(NamedTuple):
    """A pitch that may stand on a beat."""

    pitch: Pitch
    key: int  # its MIDI key
    price: float  # what it costs by itself
    lands: bool  # whether a leap may land there


Step = Sequence[PitchChoice]  # one beat to fill


class Way(NamedTuple):
    """A way to a pitch, from the first note of a chord."""

    cost: float
    pitch: Pitch
    key: int  # its MIDI key
    came: int | None  # semitones from the note before; None where there was none
    before: Way | None  # None where the way begins

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
            for pitch, key, price, lands in step:
                distance = key - way.key
                moved = moves.get(distance)
                if moved is None:
                    continue
                total = way.cost + price + moved + (_AGAINST if distance * aim < 0 else 0.0)
                total += 0.0 if lands or abs(distance) <= _STEP else _LEAP_TO_PASSING
                state = (key, 1 if distance > 0 else -1)
                if state not in reached or total < reached[state].cost:
                    reached[state] = Way(total, pitch, key, distance, way)
        ways = reached or ways
    return ways


def arrivals(ways: Ways, target: Pitch) -> list[tuple[float, Way]]:
    """The ways to the note before `target` and their costs with the step to it, cheapest first."""
    key = target.midi
    costs = [
        (way.cost + _moves(way.came, direction).get(key - way.key, _OUT_OF_REACH), way)
        for (_, direction), way in ways.items()
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
_STRONG_SCALE_TONE = 2.5  # … on a strong beat
_REGISTER = 0.012  # a semitone away from the middle, squared
_NOISE = 1.4
_CONTRADICTS = 10.0  # an approach that is the sounding chord's other third, or its other seventh
_FOREIGN = 4.0  # a whole tone or a fifth away and outside the sounding chord's scale
_STEPS_BACK = 5.0  # a whole tone into a change over the note that this chord began on: E D# F
# How the last note leads into the next chord, by its distance to the target in semitones.
_APPROACH = {
    "mixed": {1: 0.0, -1: 0.0, 2: 0.6, -2: 0.6, 7: -0.9, -5: -0.9},
    "chromatic": {1: 0.0, -1: 0.0, 2: 2.0, -2: 2.0, 7: 4.0, -5: 4.0},
    "dominant": {1: 2.5, -1: 2.5, 2: 3.0, -2: 3.0, 7: 0.0, -5: 0.0},
}
_WALKING_BEATS_STEP = 2  # semitones
_ASTRAY = 2.0  # another octave of the next chord's bass where that lies a step away
# Thirds, sevenths (a sixth stands for a major one) and flat fifths, and what contradicts each, in
# semitones over the root.
_OTHERS = ((3, 4), (4, 3), (10, 11), (11, 10), (9, 10), (6, 7))
_DOMINANT, _FLAT_NINTH = {4, 10}, 1
_FIRST_NOTE_AGAIN = {1: 0.0, 5: 0.9, 3: 1.0}  # where a chord goes on: its degrees and their cost
_OCTAVE = 12


class _Tone(NamedTuple):
    """A note of a chord or its scale."""

    pitch: Pitch
    key: int  # its MIDI key
    in_chord: bool
    off_middle: float  # what it costs to be so high or low


def targets(
    cell: Cell, first: Pitch, context: PassContext, options: Walking
) -> Iterator[tuple[Pitch, float]]:
    """Where the next chord may begin: its bass in each octave; other tones where it may vary."""
    if cell.following is None:
        yield first, 0.0
        return
    chord = cell.following[0]
    for number, price in _first_degrees(cell, chord, context, options):
        degree = chord.degree(number)
        if degree is None:
            continue
        name = chord.bass_name if number == 1 else chord.root.above(degree)
        for pitch in in_range(name, context.low, context.high):
            off_middle = _off_middle(pitch.midi, context.low, context.high)
            yield pitch, price + off_middle + _astray(first, pitch) + _noise(context)
        if number == 1 and not in_range(name, context.low, context.high):
            yield context.closest(name, first.midi), price


def _first_degrees(
    cell: Cell, following: Chord, context: PassContext, options: Walking
) -> list[tuple[int, float]]:
    """A bass that is written is played, and so is the root of what comes after the pass: a pass
    or an ending (common practice)."""
    if following.bass is not None or cell is context.cells[-1]:
        return [(1, 0.0)]
    if following == cell.chord:
        return list(_FIRST_NOTE_AGAIN.items())
    if options.beat_one == "chord tone":
        return [(1, 0.0), (3, 0.4), (5, 0.6), (7, 0.9)]
    return [(1, 0.0)]


def heading(cell: Cell, context: PassContext) -> int:
    """Up (1) or down (-1): the way the basses of the chords go where they move by step (common
    practice: the line goes along with them), else either."""
    either = context.random.choice((-1, 1))
    if cell.following is None:
        return either
    return _step(cell.chord.bass_name, cell.following[0].bass_name) or either


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


def inner(cell: Cell, index: int, context: PassContext) -> Step:
    """Chord and scale tones; which beats are strong is counted from the chord's start."""
    passing = _STRONG_SCALE_TONE if index % 2 == 0 else _WEAK_SCALE_TONE
    tones = _tones(cell.chord, cell.key, cell.span.leads_to, context.low, context.high)
    choices = []
    for pitch, key, in_chord, off_middle in tones:
        alone = off_middle + _noise(context)
        choices.append(PitchChoice(pitch, key, (0.0 if in_chord else passing) + alone, in_chord))
    return choices


def approaches(
    cell: Cell, first: Pitch, target: Pitch, context: PassContext, options: Walking
) -> Step:
    """The notes that lead from a chord, begun on its first note, into the next one's."""
    choices = [
        PitchChoice(pitch, key, price + _back(key, first, target) + _noise(context), True)
        for pitch, key, price in _leading(
            target, cell.chord, cell.key, cell.span.leads_to, options.approach
        )
        if context.holds(key)
    ]
    return choices or [PitchChoice(target, target.midi, 6.0, True)]


def _back(key: int, first: Pitch, target: Pitch) -> float:
    """What it costs to step to the target over the note that the chord began on."""
    steps = abs(target.midi - key) <= _WALKING_BEATS_STEP
    between = min(key, target.midi) < first.midi < max(key, target.midi)
    return _STEPS_BACK if steps and between else 0.0


def _off_middle(key: int, low: int, high: int) -> float:
    return _REGISTER * (key - (low + high) / 2) ** 2


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
        _Tone(pitch, pitch.midi, name in chord_tones, _off_middle(pitch.midi, low, high))
        for name in sorted(names, key=lambda name: name.fifths)
        for pitch in in_range(name, low, high)
    )


@lru_cache(maxsize=4096)
def _leading(
    target: Pitch, chord: Chord, key: Key, leads_to: Chord | None, approach: LedBy
) -> tuple[tuple[Pitch, int, float], ...]:
    """The notes from which an approach leads to a target, their MIDI keys, and what each costs."""
    names = _scale_names(chord, key, leads_to)
    own = {name.pitch_class for name in names}
    wrong = _contradictions(chord)
    known = ((by, _led_from(target, by, names), price) for by, price in _APPROACH[approach].items())
    return tuple(
        (
            pitch,
            pitch.midi,
            price
            + (_CONTRADICTS if pitch.name.pitch_class in wrong else 0.0)
            + (_FOREIGN if abs(by) > 1 and pitch.name.pitch_class not in own else 0.0),
        )
        for by, pitch, price in known
    )


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
# Common practice: a player varies; a figure is not used for two chords that are close together, nor
# a whole bar of the form played just so chorus after chorus.

Figure = tuple[int, ...]  # melodic intervals in semitones, so that it is the same in every key

_LATELY = 4  # chords
_CHORUSES = 2
_AGAIN = 1.0  # an interval of a figure that one of the last few chords had, too
_AS_BEFORE = 3.0  # … a bar as in one of the last choruses


class Memory:
    """The figures of the last few chords, and of each bar of the form in earlier choruses."""

    def __init__(self, said: set[Hashable], bars: Iterable[Bar], back: int = 0) -> None:
        """`said` is what earlier stretches left behind.  `back`: how many passes before this one
        began the line that it shares with them."""
        self._said = said
        self._bars = {bar.start: bar for bar in bars}
        self._back = back
        self._lately: deque[Figure] = deque(maxlen=_LATELY)
        self._bar: list[Figure] = []  # what was played in this bar so far

    def price(self, cell: Cell, figure: Figure) -> float:
        """What it costs to play a figure over a chord."""
        cost = _AGAIN * len(figure) if figure in self._lately else 0.0
        if self._ends_bar(cell):
            before = (self._place(cell, figure, back) for back in range(1, _CHORUSES + 1))
            cost += _AS_BEFORE if any(place in self._said for place in before) else 0.0
        return cost

    def keep(self, cell: Cell, figure: Figure) -> None:
        """Remember what is played."""
        self._lately.append(figure)
        if self._ends_bar(cell):
            self._said.add(self._place(cell, figure, 0))
            self._bar = []
        else:
            self._bar.append(figure)

    def _ends_bar(self, cell: Cell) -> bool:
        return cell.span.end == self._bars[cell.bar_start].end

    def _place(self, cell: Cell, figure: Figure, back: int) -> Hashable:
        bar = self._bars[cell.bar_start]
        return bar.pass_number + bar.tag - self._back - back, bar.form_bar, (*self._bar, figure)


_UNLED = 3.0  # where a chord goes on: into it by another interval than leads into a change


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
    back = context.turn % 2 if options.version == "alternating" else 0
    walker = _Walker(context, options, Memory(context.track.said, context.bars, back))
    notes: list[Note] = []
    # Where the chord begins; None after a rest.
    pitch = context.track.led.get(context.bars[0].number)
    for index, cell in enumerate(context.cells):
        come_from = [notes[-1].pitch] if notes and pitch is not None else []
        if pitch is None:
            pitch = context.closest(cell.chord.bass_name, context.near)
        goes_on = index > 0 and context.cells[index - 1].chord == cell.chord
        places = stepped(cell, context.beat, 2 if options.two_beat else 1)
        path, target = walker.path(cell, len(places), [*come_from, pitch])
        notes += _noted(cell, places, path, first_mark="" if goes_on else "1")
        pitch = target if cell.following else None
    if after is not None and pitch is not None:
        context.track.led[after.number] = pitch
    return notes


def _noted(
    cell: Cell, places: Sequence[Fraction], path: Sequence[Pitch], first_mark: str
) -> Iterator[Note]:
    guides = {cell.chord.root.above(degree): str(degree) for degree in cell.chord.guide_tones}
    ends = [*places[1:], cell.span.end]
    for place, end, pitch in zip(places, ends, path, strict=True):
        mark = guides.get(pitch.name, first_mark if place == cell.span.start else "")
        yield Note(place, end - place, pitch, mark=mark)


@dataclass(frozen=True, slots=True)
class _Walker:
    """Who finds the way through one chord after the other."""

    context: PassContext
    options: Walking
    memory: Memory

    def path(self, cell: Cell, beats: int, so_far: list[Pitch]) -> tuple[list[Pitch], Pitch]:
        """The cheapest `beats` notes for a chord, and the next chord's first note.

        `so_far` ends with the chord's first note; before it may stand the note that it is reached
        from.
        """
        context, first = self.context, so_far[-1]
        leads_in = cell.following is not None and cell.following[0] != cell.chord
        middle = range(1, beats - 1 if leads_in else beats)
        aim = heading(cell, context)
        ways = onward(begun(so_far), [inner(cell, index, context) for index in middle], aim)
        best: tuple[float, list[Pitch], Pitch] | None = None
        for target, price in targets(cell, first, context, self.options):
            last = []
            if leads_in and beats > 1:
                last = [approaches(cell, first, target, context, self.options)]
            for cost, way in arrivals(onward(ways, last, aim), target):
                if best is not None and cost + price >= best[0]:
                    break  # the others cost more still
                total = cost + price + self._habits(cell, way, target)
                if best is None or total < best[0]:
                    best = (total, way.path, target)
        assert best is not None  # there is always a target: at least the nearest note
        self.memory.keep(cell, intervals(best[1]))
        return best[1], best[2]

    def _habits(self, cell: Cell, way: Way, target: Pitch) -> float:
        """What a way costs as a whole: saying something again, or not leading into the target."""
        led = cell.following is None or leads(target.midi - way.key)
        return self.memory.price(cell, intervals(way.path)) + (0.0 if led else _UNLED)
