"""Pitches and keys, spelled.

A name is a place on the line of fifths (… Bb=-2 F=-1 C=0 G=1 D=2 …): seven steps along it add a
sharp, so spelling is arithmetic and double accidentals need no special case.  Octaves are counted
as in scientific pitch notation (ISO 16: A4 = 440 Hz; middle C is C4 = MIDI key 60) and belong to
the letter, so Cb4 is MIDI key 59 and B#3 is MIDI key 60.

All are named tuples: made, compared and looked up in tables by the ten thousand.

A key's signature is its tonic's place on the line of fifths (C major: 0; three less for minor),
positive for sharps, negative for flats.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import lru_cache
from random import Random
from typing import Literal, NamedTuple

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

    def octaves(self, number: int) -> Degree:
        """The same so many octaves higher; below the root its number is 0 or less."""
        return Degree(self.number + 7 * number, self.alter)

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


Mode = Literal["major", "minor"]

_KEY = re.compile(r"([A-G](?:##|bb|[#♯b♭])?)\s*(major|minor|maj|min|m)?", re.IGNORECASE)
_MODES: dict[str, Mode] = {"minor": "minor", "min": "minor", "m": "minor"}
MAX_ACCIDENTALS = 7  # a signature has at most seven; keys beyond are respelled


class Key(NamedTuple):
    """A tonic and a mode."""

    tonic: Name
    mode: Mode = "major"

    @classmethod
    def parse(cls, text: str) -> Key:
        """Read 'Bb', 'F minor', 'C#m', 'Eb major'.

        Raises ValueError where it is no key or its signature would need more than seven
        accidentals (G# major).
        """
        found = _KEY.fullmatch(text.strip())
        if not found or found[1][0].islower():
            raise ValueError(f"not a key: {text!r}")
        word = found[2] or ""
        mode = "major" if word == "M" else _MODES.get(word.lower(), "major")
        key = cls(Name.parse(found[1]), mode)
        if abs(key.signature) > MAX_ACCIDENTALS:
            better = key.simplest
            raise ValueError(
                f"{key} would need {abs(key.signature)} accidentals; write {better} instead"
            )
        return key

    @property
    def signature(self) -> int:
        """Sharps (positive) or flats (negative)."""
        return self.tonic.fifths - (3 if self.mode == "minor" else 0)

    @property
    def simplest(self) -> Key:
        """The same sound with the fewest accidentals in its signature; flats on a tie (Gb)."""
        place = self.tonic.fifths % 12
        turns = (Key(Name(place + 12 * turn), self.mode) for turn in (-2, -1, 0, 1))
        return min(turns, key=lambda key: (abs(key.signature), key.signature))

    def moved(self, semitones: int) -> Key:
        """The key `semitones` higher, in its usual spelling."""
        return Key(Name(self.tonic.fifths + 7 * semitones), self.mode).simplest

    def degree(self, degree: Degree) -> Name:
        """The name of a degree counted from the major scale of the tonic, in every mode."""
        return self.tonic.above(degree)

    def has(self, name: Name) -> bool:
        """Whether a note is written in the key without being altered: those of its signature, and
        in minor the leading note."""
        leads = self.mode == "minor" and name == self.degree(Degree(7))
        return leads or 0 <= name.fifths - self.signature + 1 < len(LETTERS)

    @property
    def pretty(self) -> str:
        return f"{self.tonic.pretty} {self.mode}"

    @property
    def short(self) -> str:
        """As written in a file name or a chart: 'Bb', 'Fm'."""
        return f"{self.tonic}{'m' if self.mode == 'minor' else ''}"

    def __str__(self) -> str:
        return f"{self.tonic} {self.mode}"


# Named cycles: semitones from one key to the next, and how many keys until it closes.
CYCLES: dict[str, tuple[int, int]] = {
    "fourths": (5, 12),
    "fifths": (7, 12),
    "chromatic up": (1, 12),
    "chromatic down": (-1, 12),
    "whole steps up": (2, 6),
    "whole steps down": (-2, 6),
    "minor thirds up": (3, 4),
    "minor thirds down": (-3, 4),
    "major thirds up": (4, 3),
    "major thirds down": (-4, 3),
}


def cycle(start: Key, move: int, keys: int) -> tuple[Key, ...]:
    """`keys` keys from `start`, each `move` semitones on; the first stays spelled as asked."""
    return (start, *(start.moved(move * turn) for turn in range(1, keys)))


def shuffled(start: Key, seed: int) -> tuple[Key, ...]:
    """All twelve keys from `start` in an order of the seed's."""
    rest: Sequence[Key] = [start.moved(step) for step in range(1, 12)]
    order: Iterable[Key] = Random(f"{seed} key cycle").sample(rest, len(rest))
    return (start, *order)
