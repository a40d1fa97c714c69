"""Keys, their signatures, and cycles of keys.

A key's signature is its tonic's place on the line of fifths (C major: 0; three less for minor),
positive for sharps, negative for flats.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from random import Random
from typing import Literal, NamedTuple

from drillgen.theory.pitch import LETTERS, Degree, Name

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
