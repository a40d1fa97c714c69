"""What a walking bass may play on each beat, and what each way through those notes costs.

The costs are the taste, as tables; `walking.py` chooses by them, chord after chord.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from quicktions import Fraction

from drillgen.drill.lines import LedBy, Walking
from drillgen.lines.pass_context import Cell, PassContext, beside
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
STEP = 2  # semitones
_LEADING = (1, 2, 5, 7)  # semitones
LEAP_TO_PASSING = 3.5  # a leap should land on a chord tone
_LEAP_FROM_PASSING = 2.5  # … and what is none goes on by step
_SEESAW = 3.0  # back to the note before last
LEAP = 5  # semitones
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
    lands: bool = True  # whether a leap may leave it

    def leaving(self, distance: int) -> float:
        """What it costs to go on by an interval, for where it stands in the chord."""
        return 0.0 if self.lands or abs(distance) <= STEP else _LEAP_FROM_PASSING

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
                total += 0.0 if lands or abs(distance) <= STEP else LEAP_TO_PASSING
                total += way.leaving(distance)
                state = (key, 1 if distance > 0 else -1)
                if state not in reached or total < reached[state].cost:
                    reached[state] = Way(total, pitch, key, distance, way, passes, lands)
        ways = reached or ways
    return ways


def arrivals(ways: Ways, target: Pitch) -> list[tuple[float, Way]]:
    """The ways to the note before `target` and their costs with the step to it, cheapest first."""
    key = target.midi
    costs = [
        (way.cost + _moves(way.came, direction).get(by, _OUT_OF_REACH) + way.leaving(by), way)
        for (_, direction), way in ways.items()
        for by in (key - way.key,)
        if way.goes_on(by)
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
        leaps = min(abs(distance), abs(came)) >= LEAP
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
ARCHED = 0.018  # a semitone away from where the arc is, squared
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
OCTAVE, _FIFTH = 12, 7  # semitones
_NINTH = Degree(9)
# The last chord of all: from its 5 or 2 or a semitone above, rather down than up (common practice).
CLOSING = {1: 0.0, 2: 0.2, 7: 0.1, -1: 0.9, -5: 0.5}
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
        name = name_of(number, *cell.following)
        if name is None:
            continue
        for pitch in in_range(name, context.low, context.high):
            bent = ARCHED * (pitch.midi - height) ** 2
            yield pitch, price + bent + _astray(first, pitch) + noise(context)
        if number == 1 and not in_range(name, context.low, context.high):
            yield context.closest(chord.bass_name, first.midi), price


def name_of(number: int, chord: Chord, key: Key) -> Name | None:
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
    up = (other.pitch_class - one.pitch_class) % OCTAVE
    if 0 < up <= _WALKING_BEATS_STEP:
        return 1
    return -1 if up >= OCTAVE - _WALKING_BEATS_STEP else 0


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
        alone = ARCHED * (key - height) ** 2 + noise(context)
        choices.append(PitchChoice(pitch, key, (0.0 if in_chord else passing) + alone, in_chord))
    return choices


def passing_notes(cell: Cell, context: PassContext, arcs: Arcs) -> Step:
    """What lies between the tones of a chord's scale and contradicts nothing."""
    tones = _tones(cell.chord, cell.key, cell.span.leads_to, context.low - 1, context.high + 1)
    own = {tone.key: tone.pitch for tone in tones}
    wrong = _contradictions(cell.chord)
    way = arcs.heading(cell.span.start)
    return [
        PitchChoice(beside(own[key + way], -way), key, _PASSING + noise(context), True, True)
        for key in range(context.low, context.high + 1)
        if key not in own and key + way in own and key % OCTAVE not in wrong
    ]


def approaches(
    cell: Cell, first: Pitch, target: Pitch, context: PassContext, options: Walking, *, closes: bool
) -> Step:
    """The notes that lead from a chord, begun on its first note, into the next one's; `closes`
    where that is the last of all."""
    into = cell.following[0] if cell.following else cell.chord
    choices = [
        PitchChoice(pitch, key, price + _back(key, first, target) + noise(context), True)
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


def noise(context: PassContext) -> float:
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
    for by, price in (CLOSING if closes else _APPROACH[approach]).items():
        pitch = _led_from(target, by, names)
        if pitch.name.pitch_class in wrong:
            price += _CONTRADICTS
        elif abs(by) > 1 and pitch.name.pitch_class not in own:
            price += _FOREIGN
        if flat_fifth and by in (_FIFTH, _FIFTH - OCTAVE):
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
