"""What a fingering costs the hand: one table for each way of playing.

The unit is arbitrary; every figure is a multiple of 1/16, so that sums are exact and ties fall the
same way everywhere.  What weighs more than what is common practice: stay in a position and cross
strings before shifting; shift where there is time; keep low; spare the weak fingers.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction


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

    # What a shift costs, as a share, where the hand has time; the cheapest that applies.
    after_open: float = 0.5  # the hand is free while an open string sounds
    after_rest: float = 0.5
    after_long: float = 0.75

    def crossed(self, strings: int) -> float:
        return self.crossing[min(strings, len(self.crossing) - 1)]


REST = Fraction(1, 2)  # quarter notes: a silence at least this long is a rest
LONG = Fraction(2)  # quarter notes: a note at least this long is a long one

# In the half position the string lies close to the nut and the hand is widest, so that it is no
# easier than the first (common practice).
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
