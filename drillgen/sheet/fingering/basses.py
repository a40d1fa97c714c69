"""Basses as a hand meets them: fretboards, schools of fingering, and what a move costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from drillgen.drill.sheet import OPEN_STRINGS, POSITIONS
from drillgen.errors import DrillgenError
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
