"""What is printed for the reader, and how the left hand plays it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from drillgen.drill.base import Model
from drillgen.drill.fields import OFF, Read, Short, choice, is_off
from drillgen.drill.instruments import INSTRUMENTS
from drillgen.drill.problems import refuse, show
from drillgen.drill.room import short
from drillgen.theory.pitch import Pitch

TUNINGS = ("four", "five", "solo")
_TUNING_ALLOWED = "four, five, solo, or the open strings from low to high: E1 A1 D2 G2"
_MOST_STRINGS = 8


def _none_or(names: tuple[str, ...]) -> Read:
    """One of the names, or none."""
    known = choice(*names, off=True)

    def read(value: Any) -> str | None:
        return None if is_off(value) else known.function(value)

    return Read(read, known.schema)


def _read_strings(value: Any) -> tuple[str, ...] | str:
    """Read a tuning's name, or 'C1 A1 D2 G2', or a list of open strings."""
    if value in TUNINGS:
        return str(value)
    words = value.split() if isinstance(value, str) else value
    if not isinstance(words, list | tuple) or not 1 <= len(words) <= _MOST_STRINGS:
        raise refuse(f"{show(value)} is no tuning", _TUNING_ALLOWED)
    try:
        keys = [Pitch.parse(str(word)).midi for word in words]
    except ValueError:
        raise refuse(f"{show(value)} is no tuning", _TUNING_ALLOWED) from None
    if keys != sorted(set(keys)):
        raise refuse("the strings are not in order", _TUNING_ALLOWED)
    return tuple(str(word) for word in words)


STRINGS = Read(
    _read_strings,
    {
        "anyOf": [
            {"enum": [*TUNINGS]},
            {"type": "string", "pattern": r"^\s*[A-G]\S*(\s+[A-G]\S*)*\s*$"},
            {
                "type": "array",
                "items": {"type": "string"},
                "minItems": 1,
                "maxItems": _MOST_STRINGS,
            },
        ],
        "default": "four",
        "examples": ["four", "solo", "C1 A1 D2 G2"],
    },
)


class Fingering(Model):
    """Finger, string and position of every note, by least effort."""

    strings: Annotated[tuple[str, ...] | str, STRINGS] = "four"
    """Four strings, five, the solo tuning, or the open strings from low to high."""
    open_strings: Annotated[
        Literal["allowed", "preferred", "avoided"], choice("allowed", "preferred", "avoided")
    ] = "allowed"
    """Whether open strings are played."""
    solutions: Annotated[str, choice("one", "two")] = "one"
    """One solution, or two that contrast: with open strings, and stopped."""


def _fingering(value: Any) -> Any:
    """true is short for a fingering with nothing more said; false and off leave it out."""
    if is_off(value) or value == "no":
        return None
    return {} if value is True or value == "yes" else value


class SheetSpec(Model):
    """What is printed."""

    show: Annotated[str, choice("line", "chords", "both")] = "both"
    """The line, the chords, or both."""
    clef: Annotated[str | None, _none_or(("bass", "treble", "alto", "tenor"))] = None
    """By default the instrument's own."""
    transpose: Annotated[str | None, _none_or(("Bb", "Eb"))] = None
    """Written for an instrument in this pitch."""
    fingering: Annotated[
        Fingering | None, Short(_fingering, ({"enum": [True, "yes", "no", *OFF]},))
    ] = None
    """Fingers and strings under the staff."""
    instrument: Annotated[str | None, _none_or(tuple(INSTRUMENTS))] = None
    """Who reads it; by default who plays the line."""


SHEET = Short(short("show"), ({"enum": ["line", "chords", "both"]},))
