"""Signs for melodies in text: degrees of the tonic, octaves, and the lengths of notes.

All are common practice: degrees count from the major scale of the tonic in every mode; `'` and `,`
set an octave higher and lower (Helmholtz); a length is the first letter of its American name
(whole, half, quarter, eighth, sixteenth), dotted with `.`, or one of three in the time of two with
`t` (a triplet).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from drillgen.drill.problems import RefusedError, Wrongs, refuse, show
from drillgen.theory.pitch import Degree

LENGTHS = {
    "w": Fraction(4),
    "h": Fraction(2),
    "q": Fraction(1),
    "e": Fraction(1, 2),
    "s": Fraction(1, 4),
}  # quarter notes
_CHANGED = {"": Fraction(1), ".": Fraction(3, 2), "t": Fraction(2, 3)}
LENGTH = re.compile(r"(?P<letter>[whqes])(?P<change>[.t]?)")
LENGTH_ALLOWED = "w, h, q, e or s, then perhaps . (dotted) or t (triplet): q, h., et"
DEGREE = re.compile(r"(?P<degree>[#♯b♭]?[0-9]{1,2})(?P<octaves>'*|,*)")
DEGREES_ALLOWED = "degrees 1 to 7, with # or b before and ' or , (an octave up or down) behind"
_LAST = 7
_MOST_OCTAVES = 3
_FEWEST, _MOST = 2, 12  # notes of a set


@dataclass(frozen=True, slots=True)
class ScaleNote:
    """A degree of the tonic in an octave: b3 a little above the tonic, 5, a fourth below it."""

    degree: Degree  # number 1 to 7
    octaves: int = 0

    @property
    def semitones(self) -> int:
        """Above the tonic (below it: negative)."""
        return self.degree.semitones + 12 * self.octaves

    def __str__(self) -> str:
        return f"{self.degree}{self.octaves * chr(39) or -self.octaves * ','}"


def length_of(text: str) -> Fraction | None:
    """The quarter notes of 'q.' (3/2) or 'et' (1/3); None where it is no length."""
    found = LENGTH.fullmatch(text)
    return LENGTHS[found["letter"]] * _CHANGED[found["change"]] if found else None


def scale_note(text: str) -> ScaleNote:
    """Read '1', 'b3', '5,' or '#4''.  Raises RefusedError."""
    found = DEGREE.fullmatch(text)
    if not found:
        raise refuse(f"{show(text)} is no degree", DEGREES_ALLOWED)
    degree = Degree.parse(found["degree"]) if found["degree"].strip("#♯b♭0") else None
    octaves = len(found["octaves"]) * (-1 if "," in found["octaves"] else 1)
    if degree is None or degree.number > _LAST:
        raise refuse(f"{show(text)} is no degree", DEGREES_ALLOWED, _within_an_octave(degree))
    if abs(octaves) > _MOST_OCTAVES:
        raise refuse(f"{show(text)} lies too many octaves away", f"up to {_MOST_OCTAVES}")
    return ScaleNote(degree, octaves)


def _within_an_octave(degree: Degree | None) -> str:
    """9 is written 2'."""
    if degree is None or degree.number > 2 * _LAST:
        return ""
    return f'"{ScaleNote(Degree(degree.number - _LAST, degree.alter), 1)}"'


def read_set(value: Any) -> tuple[ScaleNote, ...]:
    """Read a set of notes: [1, b3, 4] or '5, b7, 1'.  Raises RefusedError."""
    if isinstance(value, tuple) and all(isinstance(each, ScaleNote) for each in value):
        return value
    listed = isinstance(value, list | tuple)
    words = list(value) if listed else _words(value)
    if not _FEWEST <= len(words) <= _MOST:
        raise refuse(f"{len(words)} notes", f"{_FEWEST} to {_MOST} notes: [1, b3, 4, 5, b7]")
    notes: list[ScaleNote] = []
    wrongs = Wrongs()
    for index, (word, offset) in enumerate(words if not listed else [(w, None) for w in words]):
        with wrongs.at(*([index] if listed else [])):
            notes.append(_another(word, offset, notes))
    wrongs.raise_any()
    return tuple(notes)


def _words(value: Any) -> list[Any]:
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise refuse(f"{show(value)} is no set of notes", "[1, b3, 4, 5, b7]")
    return [(found[0], found.start()) for found in re.finditer(r"\S+", str(value))]


def _another(word: Any, offset: int | None, notes: list[ScaleNote]) -> ScaleNote:
    try:
        note = scale_note("" if isinstance(word, bool) else str(word))
    except RefusedError as refused:
        wrong = refused.wrongs[0]
        raise refuse(wrong.message, wrong.allowed, wrong.nearest, offset=offset) from None
    if any(note.semitones == other.semitones for other in notes):
        raise refuse(
            f"the note {show(str(note))} stands here twice", "each note once", offset=offset
        )
    return note


_NOTE = {"anyOf": [{"type": "integer"}, {"type": "string", "minLength": 1}]}
SET_SCHEMA: dict[str, Any] = {
    "anyOf": [
        {"type": "array", "items": _NOTE, "minItems": _FEWEST, "maxItems": _MOST},
        {"type": "string", "minLength": 1},
    ],
    "examples": [[1, "b3", 4, 5, "b7"], "5, b7, 1 b3 4"],
}
