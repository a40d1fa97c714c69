"""Note names and pitches, spelled.

A name is a place on the line of fifths (… Bb=-2 F=-1 C=0 G=1 D=2 …): seven steps along it add a
sharp, so spelling is arithmetic and double accidentals need no special case.  Octaves are counted
as in scientific pitch notation (ISO 16: A4 = 440 Hz; middle C is C4 = MIDI key 60) and belong to
the letter, so Cb4 is MIDI key 59 and B#3 is MIDI key 60.

All are named tuples: made, compared and looked up in tables by the ten thousand.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

LETTERS = "FCGDAEB"  # in fifths, from F = -1
STEPS = "CDEFGAB"  # in staff order
NATURAL_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_SEMITONES = tuple(NATURAL_SEMITONES[letter] for letter in LETTERS)  # … of the letters in fifths
# Semitones and fifths of the major scale's degrees 1 to 7.
MAJOR_SEMITONES = (0, 2, 4, 5, 7, 9, 11)
MAJOR_FIFTHS = (0, 2, 4, -1, 1, 3, 5)

_ACCIDENTALS = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1, "𝄪": 2, "x": 2, "𝄫": -2}
_NAME = re.compile(r"([A-G])(##|bb|♯♯|♭♭|[#♯b♭x𝄪𝄫]?)")


def accidental(alter: int, *, sharp: str = "#", flat: str = "b") -> str:
    """Write an alteration in semitones as accidentals: -2 gives 'bb'."""
    return sharp * alter if alter > 0 else flat * -alter


class Degree(NamedTuple):
    """A degree over a root or tonic: the major scale's number, altered. `Degree(13, -1)` is b13."""

    number: int  # 1 is the root, 9 the ninth
    alter: int = 0  # semitones against the major scale

    @property
    def semitones(self) -> int:
        octaves, step = divmod(self.number - 1, 7)
        return 12 * octaves + MAJOR_SEMITONES[step] + self.alter

    @property
    def fifths(self) -> int:
        return MAJOR_FIFTHS[(self.number - 1) % 7] + 7 * self.alter

    @classmethod
    def parse(cls, text: str) -> Degree:
        """Read 'b9', '#11', '♭3', '5' or 'bb7'.  Raises ValueError on anything else."""
        found = re.fullmatch(r"([#♯b♭]*)(\d{1,2})", text.strip())
        if not found or int(found[2]) < 1:
            raise ValueError(f"not a degree: {text!r}")
        return cls(int(found[2]), sum(_ACCIDENTALS[sign] for sign in found[1]))

    def __str__(self) -> str:
        return accidental(self.alter) + str(self.number)


class Name(NamedTuple):
    """A note name without an octave, as its place on the line of fifths (C = 0)."""

    fifths: int

    @classmethod
    def parse(cls, text: str) -> Name:
        """Read 'C', 'Bb', 'F##', 'E♭'.  Raises ValueError on anything else."""
        found = _NAME.fullmatch(text.strip())
        if not found:
            raise ValueError(f"not a note name: {text!r}")
        alter = 0
        if found[2]:
            alter = sum(_ACCIDENTALS[sign] for sign in found[2])
        return cls.of(found[1], alter)

    @classmethod
    def of(cls, letter: str, alter: int) -> Name:
        return cls(LETTERS.index(letter) - 1 + 7 * alter)

    @property
    def letter(self) -> str:
        return LETTERS[(self.fifths + 1) % 7]

    @property
    def alter(self) -> int:
        """Semitones of the accidental: -1 for a flat."""
        return (self.fifths + 1) // 7

    @property
    def pitch_class(self) -> int:
        """0 (C) to 11 (B)."""
        return (self.fifths * 7) % 12

    def above(self, degree: Degree) -> Name:
        """The name that lies `degree` above this one: Ab above b3 is Cb."""
        return Name(self.fifths + degree.fifths)

    @property
    def simplest(self) -> Name:
        """The enharmonic name with the fewest accidentals; flats before sharps on a tie."""
        return min(
            (Name(self.fifths % 12 + 12 * turn) for turn in (-2, -1, 0)),
            key=lambda name: (abs(name.alter), name.fifths > 0, abs(name.fifths)),
        )

    @property
    def pretty(self) -> str:
        """For people: 'B♭'."""
        return self.letter + accidental(self.alter, sharp="♯", flat="♭")

    def __str__(self) -> str:
        return self.letter + accidental(self.alter)


# Sounds of white keys that are written as if they were altered: read slowly (common practice).
RARE_NAMES = frozenset(map(Name.parse, ("E#", "B#", "Cb", "Fb")))


class Pitch(NamedTuple):
    """A spelled pitch as it sounds."""

    name: Name
    octave: int

    @classmethod
    def parse(cls, text: str) -> Pitch:
        """Read 'E1' or 'Bb2'.  Raises ValueError on anything else."""
        found = re.fullmatch(r"([^\d-]+)(-?\d)", text.strip())
        if not found:
            raise ValueError(f"not a pitch: {text!r}")
        return cls(Name.parse(found[1]), int(found[2]))

    @classmethod
    def near(cls, name: Name, midi: float) -> Pitch:
        """The pitch of that name nearest to a MIDI key; the lower one on a tie."""
        lowest = cls(name, -1)
        turns = -((lowest.midi + 6 - midi) // 12)  # octaves up, an exact half one rounded down
        return cls(name, int(turns) - 1)

    @property
    def midi(self) -> int:
        """MIDI key: C4 is 60.  Cb4 is 59."""
        alter, letter = divmod(self.name.fifths + 1, 7)
        return 12 * (self.octave + 1) + _SEMITONES[letter] + alter

    @property
    def staff_step(self) -> int:
        """Steps of the staff above C0: C4 is 28, D4 is 29."""
        return 7 * self.octave + STEPS.index(self.name.letter)

    def up(self, degree: Degree) -> Pitch:
        """The pitch `degree` above: C2 up 'b10' is Eb3."""
        name = self.name.above(degree)
        natural = self.midi + degree.semitones - name.alter
        return Pitch(name, natural // 12 - 1)

    def octaves(self, count: int) -> Pitch:
        """The same name, `count` octaves higher."""
        return Pitch(self.name, self.octave + count)

    def __str__(self) -> str:
        return f"{self.name}{self.octave}"


@lru_cache(maxsize=4096)
def in_range(name: Name, low: int, high: int) -> tuple[Pitch, ...]:
    """Every pitch of that name between two MIDI keys, both included, from low to high."""
    first = Pitch.near(name, low)
    candidates = (first.octaves(step) for step in range(-1, (high - low) // 12 + 3))
    return tuple(pitch for pitch in candidates if low <= pitch.midi <= high)


def degree_over(root: Name, name: Name) -> Degree:
    """What a name is over a root, within an octave: Eb over C is b3, A# over G #2."""
    number = (STEPS.index(name.letter) - STEPS.index(root.letter)) % len(STEPS) + 1
    return Degree(number, (name.fifths - root.fifths - MAJOR_FIFTHS[number - 1]) // 7)
