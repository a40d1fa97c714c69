"""Basses, and every way in which a hand takes a note on them.

Basses as a hand meets them: fretboards, schools of fingering, and what a move costs.

Every way in which a hand can take a note or a chord, and what each costs by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, pairwise, product

from quicktions import Fraction

from drillgen.drill.sheet import OPEN_STRINGS, POSITIONS
from drillgen.errors import DrillgenError
from drillgen.score import Note
from drillgen.theory.pitch import Pitch

# What a fingering costs the hand: one table for each way of playing.
#
# The unit is arbitrary; every figure is a multiple of 1/16, so that sums are exact and ties fall
# the same way everywhere. What weighs more than what is common practice: stay in a position and
# cross strings before shifting; shift where there is time; keep low; spare the weak fingers.


@dataclass(frozen=True, slots=True)
class Effort:
    """The cost table.  All costs are 0 or more."""

    shift: float  # of moving the hand at all …
    shift_step: float  # … and for each semitone it moves
    crossing: tuple[float, ...]  # by strings apart: 0, 1, 2, …; the last stands for all beyond
    fingers: dict[str, float]  # for each note stopped by that finger
    high: float  # for each note stopped and each semitone the hand lies above `low_until`
    low_until: int  # hand up to which nothing is high
    barre: float  # one finger from string to string at the same height
    slide: float  # one finger to another place within the frame (thumb position)
    smear: float  # a shift of a semitone by one finger on one string: better under two fingers
    stopped: float  # where open strings are preferred: a stopped note that could be open
    # For each semitone that a note on a string lies above a height, strings counted from the
    # highest; the last stands for all beyond.  None: nothing is far up.
    far_up: tuple[tuple[int, float] | None, ...] = (None,)

    # What a shift costs, as a share, where the hand has time; the cheapest that applies.
    after_open: float = 0.5  # the hand is free while an open string sounds
    after_rest: float = 0.5
    after_long: float = 0.75

    def crossed(self, strings: int) -> float:
        return self.crossing[min(strings, len(self.crossing) - 1)]

    def up(self, number: int, fret: int) -> float:
        """What a note costs for lying far up its string, by the string's number."""
        start = self.far_up[min(number, len(self.far_up)) - 1]
        return max(fret - start[0], 0) * start[1] if start else 0.0


REST = Fraction(1, 2)  # quarter notes: a silence at least this long is a rest
LONG = Fraction(2)  # quarter notes: a note at least this long is a long one

# In the half position the string lies close to the nut and the hand is widest, so that it is no
# easier than the first (common practice). The low strings speak worse the higher they are stopped,
# and the string above them has the same notes nearer the nut (common practice).
UPRIGHT = Effort(
    shift=4.0,
    shift_step=0.5,
    crossing=(0.0, 0.5, 1.5, 2.5),
    fingers={"1": 0.0, "2": 0.125, "3": 0.25, "4": 0.25, "T": 0.25},
    high=0.125,
    low_until=2,
    barre=1.0,
    slide=2.0,
    smear=1.0,
    stopped=6.0,
    far_up=(None, (8, 0.5), (5, 0.5)),
)

# Frets are wide near the nut: nothing is gained below the fifth (common practice).
ELECTRIC = Effort(
    shift=4.0,
    shift_step=0.375,
    crossing=(0.0, 0.5, 1.25, 2.0),
    fingers={"1": 0.0, "2": 0.0, "3": 0.125, "4": 0.25},
    high=0.0625,
    low_until=5,
    barre=0.5,
    slide=2.0,
    smear=1.0,
    stopped=6.0,
)


# How a hand lies on the fingerboard, and what its positions are called.
#
# Upright: positions are named by the Simandl system, after the first finger's height above the open
# string: half, I, II, II-III … VII for 1 to 12 semitones. A whole tone lies between the first and
# the fourth finger, with the second in the middle. Other schools count otherwise.
#
# The third finger replaces the fourth from position VI on, where the hand leaves the neck (common
# practice; schools differ by a position or so). Above VII the hand is in thumb position, with the
# thumb on the octave harmonic or higher. Its closed hand is thumb, 1, 2, 3 on neighbouring
# semitones (over G: Ab, A, Bb), and it opens, between thumb and first finger and onwards, to a
# fourth between thumb and third (G A B C). The fingers keep their order. It serves the two highest
# strings: traditional methods rarely go there on the lower ones (common practice).
#
# A note that a higher string has, too, is not looked for far up a lower one: not at the octave of
# the D string or above, nor above the third position of A and E (common practice).
#
# Electric: a finger a fret, four frets a hand; a position is the fret of the first finger.


@dataclass(frozen=True, slots=True)
class Frame:
    """The places that fingers have while the hand stays where it is.

    `first` is the lowest hand to which the frame belongs: the first finger's height in semitones
    above the open string.  `reach` pairs each finger with its places in semitones above that.
    """

    first: int
    reach: tuple[tuple[str, tuple[int, ...]], ...]
    strings: int | None = None  # it serves only so many, counted from the highest

    def places(self, hand: int) -> list[tuple[str, int]]:
        """Each finger with the height that it stops, in semitones above the open string."""
        return [(finger, hand + place) for finger, places in self.reach for place in places]

    def serves(self, number: int) -> bool:
        """Whether it lies on a string, by its number: 1 is the highest."""
        return self.strings is None or number <= self.strings

    @property
    def span(self) -> int:
        """The highest place, in semitones above the hand."""
        return max(place for _, places in self.reach for place in places)


@dataclass(frozen=True, slots=True)
class School:
    """A way of playing: its frames from low to high, its names for positions, its effort."""

    system: str  # by whose count positions are named, for people
    frames: tuple[Frame, ...]
    positions: tuple[str, ...]  # for hands 1, 2, 3 …
    beyond: str  # for all hands after those; `{hand}` is filled in
    effort: Effort
    # How far up each string notes are stopped that a higher string has, too: in semitones above
    # the open string, strings counted from the highest; the last stands for all beyond.
    highest: tuple[int | None, ...]

    def frame(self, hand: int) -> Frame:
        return max((f for f in self.frames if f.first <= hand), key=lambda frame: frame.first)

    def strays(self, number: int, fret: int) -> bool:
        """Whether a note lies further up a string than it is played there, by its number."""
        most = self.highest[min(number, len(self.highest)) - 1]
        return most is not None and fret > most

    def position(self, hand: int) -> str:
        if hand <= len(self.positions):
            return self.positions[hand - 1]
        return self.beyond.format(hand=hand)


OCTAVE = 12
THIRD_FINGER_FROM = "VI"

SIMANDL = School(
    system="Simandl",
    frames=(
        Frame(1, (("1", (0,)), ("2", (1,)), ("4", (2,)))),
        Frame(POSITIONS.index(THIRD_FINGER_FROM) + 1, (("1", (0,)), ("2", (1,)), ("3", (2,)))),
        # The thumb on the octave: the first finger's nearest place is a semitone above it.
        Frame(
            OCTAVE + 1,
            (("T", (-1,)), ("1", (0, 1)), ("2", (1, 2, 3)), ("3", (2, 3, 4))),
            strings=2,
        ),
    ),
    positions=POSITIONS,
    beyond="thumb",
    effort=UPRIGHT,
    highest=(None, OCTAVE - 1, POSITIONS.index("III") + 3),
)

FINGER_A_FRET = School(
    system="fret of the first finger",
    frames=(Frame(1, (("1", (0,)), ("2", (1,)), ("3", (2,)), ("4", (3,)))),),
    positions=(),
    beyond="fret {hand}",
    effort=ELECTRIC,
    highest=(None, OCTAVE),
)


# Basses and their tunings.
#
# Strings are listed from the lowest to the highest, as they sound; heights on a string are counted
# in semitones above the open one and called frets, with or without metal.


class FingeringError(DrillgenError):
    """A line or chord that no hand can play on this bass; names the bar and the note."""


@dataclass(frozen=True, slots=True)
class Fretboard:
    """A bass as the left hand meets it."""

    name: str  # with its article: "an upright bass in solo tuning"
    strings: tuple[Pitch, ...]  # sounding, from low to high
    frets: int  # the highest semitone above each open string
    school: School
    within: tuple[int, int] | None = None  # the lowest and highest hand asked for; None: all

    def __post_init__(self) -> None:
        if not self.strings or any(low.midi >= high.midi for low, high in pairwise(self.strings)):
            raise FingeringError(f"{self.name}: write its strings from the lowest to the highest")
        if not self.hands:
            raise FingeringError(f"{self.name}: frets={self.frets} is too few for a hand")

    def __hash__(self) -> int:
        """Of what tells basses apart, which is quick: grips are looked up by their bass."""
        return hash((self.name, self.strings, self.frets, self.within))

    @property
    def hands(self) -> range:
        """Every place of the hand, as the first finger's semitones above the nut."""
        frames = (self.school.frame(hand) for hand in range(1, self.frets + 1))
        fit = [h for h, frame in enumerate(frames, 1) if h + frame.span <= self.frets]
        lowest, highest = self.within or (1, self.frets)
        return range(lowest, min(max(fit, default=0), highest) + 1)

    def position(self, hand: int) -> str:
        """The position's name in the school's system."""
        return self.school.position(hand)

    def number(self, string: int) -> int:
        """A string's number as players count, 1 for the highest, from its index, 0 the lowest."""
        return len(self.strings) - string

    def tuned(self, strings: Sequence[str], *, name: str, frets: int | None = None) -> Fretboard:
        """The same kind of bass in another tuning, low to high: `["C1", "A1", "D2", "G2"]`.

        `name` takes its article.  Raises FingeringError for a tuning that can't be read.
        """
        try:
            pitches = tuple(Pitch.parse(text) for text in strings)
        except ValueError as error:
            raise FingeringError(f"{name}: {error}; write a string as E1 or Bb0") from None
        frets = self.frets if frets is None else frets
        return Fretboard(name, pitches, frets, self.school, self.within)


UPRIGHT_FRETS = 24  # two octaves a string: about where fingerboards end (common practice)
ELECTRIC_FRETS = 20  # what nearly every bass guitar has


def _row(name: str, tuning: str, frets: int, school: School) -> Fretboard:
    return Fretboard(name, tuple(map(Pitch.parse, OPEN_STRINGS[tuning].split())), frets, school)


FRETBOARDS: dict[str, Fretboard] = {
    "upright": _row("an upright bass", "four", UPRIGHT_FRETS, SIMANDL),
    "upright, five strings": _row(
        "an upright bass with five strings", "five", UPRIGHT_FRETS, SIMANDL
    ),
    "upright, solo tuning": _row("an upright bass in solo tuning", "solo", UPRIGHT_FRETS, SIMANDL),
    "electric": _row("a bass guitar", "four", ELECTRIC_FRETS, FINGER_A_FRET),
    "electric, five strings": _row(
        "a bass guitar with five strings", "five", ELECTRIC_FRETS, FINGER_A_FRET
    ),
}


# A line as the hand meets it: one moment after another, each a note or a chord.

Where = Callable[[Note], str]


@dataclass(frozen=True, slots=True)
class Moment:
    """The notes that sound from one onset on: those that begin and those that are held over."""

    notes: tuple[Note, ...]
    indices: tuple[int, ...]  # of those notes in the line
    held: tuple[tuple[int, int], ...]  # the same note's place in the moment before, and in this
    rest: bool  # a rest lies before it
    long: bool  # the moment before is a long one
    repeats: bool  # the moment before had the same pitches, and no rest parts them

    def ease(self, effort: Effort, after_open: bool) -> float:
        """The share of its cost that a shift into this moment has."""
        shares = [1.0]
        shares += [effort.after_open] * after_open
        shares += [effort.after_rest] * self.rest
        shares += [effort.after_long] * self.long
        return min(shares)


def moments(notes: Sequence[Note]) -> list[Moment]:
    """Divide a line by its onsets, in order of time."""
    starts = sorted({note.start for note in notes})
    found: list[Moment] = []
    order = sorted(range(len(notes)), key=lambda index: notes[index].start)
    sounding: list[int] = []
    end = Fraction(0)  # of everything so far
    for start in starts:
        sounding = [i for i in sounding if notes[i].start + notes[i].duration > start]
        while order and notes[order[0]].start == start:
            sounding.append(order.pop(0))
        found.append(_moment(notes, tuple(sounding), found[-1] if found else None, start, end))
        end = max(notes[i].start + notes[i].duration for i in sounding)
    return found


def _moment(
    notes: Sequence[Note],
    indices: tuple[int, ...],
    before: Moment | None,
    start: Fraction,
    end: Fraction,
) -> Moment:
    chosen = tuple(notes[i] for i in indices)
    if before is None:
        return Moment(chosen, indices, (), rest=False, long=False, repeats=False)
    rest = start - end >= REST
    same = [n.pitch.midi for n in chosen] == [n.pitch.midi for n in before.notes]
    return Moment(
        chosen,
        indices,
        held=tuple(
            (before.indices.index(i), indices.index(i)) for i in indices if i in before.indices
        ),
        rest=rest,
        long=start - max(note.start for note in before.notes) >= LONG,
        repeats=same and not rest,
    )


OPEN = "0"
_RANK = {"T": 0, "1": 1, "2": 2, "3": 3, "4": 4}


@dataclass(frozen=True, slots=True)
class Stop:
    """One finger on one string, or an open string."""

    string: int  # index: 0 is the lowest
    fret: int  # semitones above the open string
    finger: str  # "0" open, "T", "1" to "4"


@dataclass(frozen=True, slots=True)
class Grip:
    """One place of the hand with a stop for each note of a moment.

    An open string keeps a hand too: the hand stays over its position while the string sounds.
    """

    hand: int  # the first finger's semitones above the nut
    stops: tuple[Stop, ...]
    cost: float
    open: bool  # nothing is stopped: the hand is free

    @property
    def opens(self) -> int:
        return sum(stop.finger == OPEN for stop in self.stops)


def follow(before: Stop, after: Stop) -> bool:
    """Whether both can belong to one hand: fingers keep their order from the nut upwards."""
    if OPEN in (before.finger, after.finger):
        return True
    rank = _RANK[before.finger] - _RANK[after.finger]
    return rank == 0 or rank * (before.fret - after.fret) > 0


def together(one: Stop, other: Stop) -> bool:
    """Whether both can sound at once: two strings; one finger for both only as a barre."""
    if one.string == other.string or not follow(one, other):
        return False
    if one.finger != other.finger or one.finger == OPEN:
        return True
    return one.fret == other.fret and abs(one.string - other.string) == 1


def grips(board: Fretboard, moment: Moment, where: Where, preferred: bool) -> list[Grip]:
    """All grips for a moment, from the lowest hand to the highest, closed before open.

    Raises FingeringError where there is none.
    """
    found = _grips(board, tuple(note.pitch.midi for note in moment.notes), preferred)
    if not found:
        raise FingeringError(_why(board, moment, where))
    return list(found)


@lru_cache(maxsize=4096)
def _grips(board: Fretboard, keys: tuple[int, ...], preferred: bool) -> tuple[Grip, ...]:
    return tuple(
        _grip(board, hand, stops, preferred)
        for hand in board.hands
        for stops in product(*(_stops(board, key, hand) for key in keys))
        if all(together(one, other) for one, other in combinations(stops, 2))
    )


def near(board: Fretboard, choices: Sequence[Grip]) -> list[Grip]:
    """Those with the fewest notes too far up a low string: none, unless a chord needs one."""
    strays = [sum(_strays(board, stop) for stop in grip.stops) for grip in choices]
    fewest = min(strays)
    return [grip for grip, count in zip(choices, strays, strict=True) if count == fewest]


def _strays(board: Fretboard, stop: Stop) -> bool:
    return board.school.strays(board.number(stop.string), stop.fret)


def closed(choices: Sequence[Grip]) -> list[Grip]:
    """Those with the fewest open strings: none, unless a note can't be stopped at all."""
    fewest = min(grip.opens for grip in choices)
    return [grip for grip in choices if grip.opens == fewest]


def _stops(board: Fretboard, key: int, hand: int) -> list[Stop]:
    frame = board.school.frame(hand)
    places = frame.places(hand)
    found = []
    for string, pitch in enumerate(board.strings):
        fret = key - pitch.midi
        if frame.serves(board.number(string)):
            found += [Stop(string, fret, finger) for finger, place in places if place == fret]
        if fret == 0:
            found.append(Stop(string, 0, OPEN))
    return found


def _grip(board: Fretboard, hand: int, stops: tuple[Stop, ...], preferred: bool) -> Grip:
    effort = board.school.effort
    stopped = [stop for stop in stops if stop.finger != OPEN]
    cost = sum(_weight(board, hand, stop) for stop in stopped)
    cost += sum(
        effort.barre for one, other in combinations(stopped, 2) if one.finger == other.finger
    )
    if preferred:
        cost += effort.stopped * sum(_could_be_open(board, stop) for stop in stopped)
    return Grip(hand, stops, cost, not stopped)


def _weight(board: Fretboard, hand: int, stop: Stop) -> float:
    effort = board.school.effort
    high = effort.high * max(0, hand - effort.low_until)
    return effort.fingers[stop.finger] + high + effort.up(board.number(stop.string), stop.fret)


def _could_be_open(board: Fretboard, stop: Stop) -> bool:
    midi = board.strings[stop.string].midi + stop.fret
    return any(midi == pitch.midi for pitch in board.strings)


def _why(board: Fretboard, moment: Moment, where: Where) -> str:
    low, high = board.strings[0], board.strings[-1]
    for note in moment.notes:
        here = f"{where(note)}: {note.pitch}"
        if note.pitch.midi < low.midi:
            return f"{here} lies below the lowest string of {board.name} ({low})"
        if note.pitch.midi > high.midi + board.frets:
            return (
                f"{here} lies above the highest note of {board.name} "
                f"({board.frets} semitones over {high})"
            )
    *most, last = (str(note.pitch) for note in moment.notes)
    if not most and board.within:
        low_hand, high_hand = (board.position(hand) for hand in board.within)
        asked = low_hand if low_hand == high_hand else f"{low_hand} to {high_hand}"
        return f"{where(moment.notes[0])}: {last} does not lie in position {asked} of {board.name}"
    if not most:
        return f"{where(moment.notes[0])}: {last} lies between the strings of {board.name}"
    chord = f"{', '.join(most)} and {last}"
    return f"{where(moment.notes[-1])}: {chord} do not lie under one hand on {board.name}"
