"""Basses and their tunings.

Strings are listed from the lowest to the highest, as they sound; heights on a string are counted
in semitones above the open one and called frets, with or without metal.  Tunings are common
practice: fourths from E1, a low B0 for the fifth string, solo tuning a whole tone higher.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from drillgen.errors import DrillgenError
from drillgen.sheet.fingering.schools import FINGER_A_FRET, SIMANDL, School
from drillgen.theory.pitch import Pitch


class FingeringError(DrillgenError):
    """A line or chord that no hand can play on this bass; names the bar and the note."""


@dataclass(frozen=True, slots=True)
class Fretboard:
    """A bass as the left hand meets it."""

    name: str  # with its article: "an upright bass in solo tuning"
    strings: tuple[Pitch, ...]  # sounding, from low to high
    frets: int  # the highest semitone above each open string
    school: School

    def __post_init__(self) -> None:
        if not self.strings or any(low.midi >= high.midi for low, high in pairwise(self.strings)):
            raise FingeringError(f"{self.name}: write its strings from the lowest to the highest")
        if not self.hands:
            raise FingeringError(f"{self.name}: frets={self.frets} is too few for a hand")

    @property
    def hands(self) -> range:
        """Every place of the hand, as the first finger's semitones above the nut."""
        frames = (self.school.frame(hand) for hand in range(1, self.frets + 1))
        fit = [h for h, frame in enumerate(frames, 1) if h + frame.span <= self.frets]
        return range(1, max(fit, default=0) + 1)

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
        return Fretboard(name, pitches, self.frets if frets is None else frets, self.school)


UPRIGHT_FRETS = 24  # two octaves a string: about where fingerboards end (common practice)
ELECTRIC_FRETS = 20  # what nearly every bass guitar has


def _row(name: str, strings: str, frets: int, school: School) -> Fretboard:
    return Fretboard(name, tuple(map(Pitch.parse, strings.split())), frets, school)


FRETBOARDS: dict[str, Fretboard] = {
    "upright": _row("an upright bass", "E1 A1 D2 G2", UPRIGHT_FRETS, SIMANDL),
    "upright, five strings": _row(
        "an upright bass with five strings", "B0 E1 A1 D2 G2", UPRIGHT_FRETS, SIMANDL
    ),
    "upright, solo tuning": _row(
        "an upright bass in solo tuning", "F#1 B1 E2 A2", UPRIGHT_FRETS, SIMANDL
    ),
    "electric": _row("a bass guitar", "E1 A1 D2 G2", ELECTRIC_FRETS, FINGER_A_FRET),
    "electric, five strings": _row(
        "a bass guitar with five strings", "B0 E1 A1 D2 G2", ELECTRIC_FRETS, FINGER_A_FRET
    ),
}
