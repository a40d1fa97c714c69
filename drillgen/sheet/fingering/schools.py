"""How a hand lies on the fingerboard, and what its positions are called.

Upright: positions are named by the Simandl system, after the first finger's height above the open
string: half, I, II, II-III … VII for 1 to 12 semitones.  A whole tone lies between the first and
the fourth finger, with the second in the middle.  Other schools count otherwise.

The third finger replaces the fourth from position VI on, where the hand leaves the neck (common
practice; schools differ by a position or so).  Above VII the hand is in thumb position, with the
thumb on the octave harmonic or higher.  Its closed hand is thumb, 1, 2, 3 on neighbouring
semitones (over G: Ab, A, Bb), and it opens, between thumb and first finger and onwards, to a
fourth between thumb and third (G A B C).  The fingers keep their order.  It serves the two
highest strings: traditional methods rarely go there on the lower ones (common practice).

Electric: a finger a fret, four frets a hand; a position is the fret of the first finger.
"""

from __future__ import annotations

from dataclasses import dataclass

from drillgen.sheet.fingering.effort import ELECTRIC, UPRIGHT, Effort


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

    def frame(self, hand: int) -> Frame:
        return max((f for f in self.frames if f.first <= hand), key=lambda frame: frame.first)

    def position(self, hand: int) -> str:
        if hand <= len(self.positions):
            return self.positions[hand - 1]
        return self.beyond.format(hand=hand)


OCTAVE = 12
# First finger 1 to 12 semitones above the open string (Simandl, after his contents page).
POSITIONS = (
    *("half", "I", "II", "II-III", "III", "III-IV"),
    *("IV", "V", "V-VI", "VI", "VI-VII", "VII"),
)
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
)

FINGER_A_FRET = School(
    system="fret of the first finger",
    frames=(Frame(1, (("1", (0,)), ("2", (1,)), ("3", (2,)), ("4", (3,)))),),
    positions=(),
    beyond="fret {hand}",
    effort=ELECTRIC,
)
