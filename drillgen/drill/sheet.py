"""What is printed for the reader, and how the left hand plays it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from drillgen.drill.band import short
from drillgen.drill.fields import OFF, YES_NO, Model, Read, Short, choice, is_off
from drillgen.drill.instruments import CLEFS, INSTRUMENTS
from drillgen.drill.messages import RefusedError, Wrongs, listed, nearest, refuse, show
from drillgen.theory.pitch import Pitch

TUNINGS = ("four", "five", "solo")
_TUNING_ALLOWED = "four, five, solo, or the open strings from low to high: E1 A1 D2 G2"
_FINGERING_ALLOWED = "true, false, or a mapping: {strings: five, open_strings: preferred}"
_MOST_STRINGS = 8


def _none_or(names: tuple[str, ...]) -> Read:
    """One of the names, or none."""
    known = choice(*names, "none")

    def read(value: Any) -> str | None:
        return None if is_off(value) else known.function(value)

    return Read(read, {"enum": [*names, *OFF]})


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
    if isinstance(value, dict | Fingering):
        return value
    if is_off(value):
        return None
    try:
        return {} if YES_NO.function(value) else None
    except RefusedError:
        raise refuse(f"{show(value)} is not known", _FINGERING_ALLOWED) from None


def _transposed(value: Any) -> str:
    """Bb, Eb, or none: at concert pitch, whoever reads it."""
    return "none" if is_off(value) else str(choice(*PITCHES, "none").function(value))


PITCHES = ("Bb", "Eb")
TRANSPOSE = Read(_transposed, {"enum": [*PITCHES, *OFF]})
READERS = (*PITCHES, *CLEFS, *INSTRUMENTS)  # by pitch, by clef, by instrument


def _readers(value: Any) -> tuple[str, ...]:
    """Read one reader or a list of them."""
    if is_off(value):
        return ()
    names = value if isinstance(value, list | tuple) else [value]
    wrongs = Wrongs()
    for index, name in enumerate(names):
        with wrongs.at(*([index] if names is value else [])):
            if not isinstance(name, str) or name not in READERS:
                raise refuse(f"{show(name)} is no reader", listed(READERS), nearest(name, READERS))
            if name in names[:index]:
                raise refuse(f"{show(name)} stands here twice", "each reader once")
    wrongs.raise_any()
    return tuple(names)


_READER = {"enum": [*READERS]}
ALSO_FOR = Read(
    _readers,
    {
        "anyOf": [_READER, {"enum": [*OFF]}, {"type": "array", "items": _READER}],
        "examples": [["Bb", "Eb", "treble"], "tenor"],
    },
)


class SheetSpec(Model):
    """What is printed."""

    show: Annotated[str, choice("line", "chords", "both")] = "both"
    """The line, the chords, or both."""
    clef: Annotated[str | None, _none_or(CLEFS)] = None
    """By default the instrument's own."""
    transpose: Annotated[str | None, TRANSPOSE] = None
    """Written for an instrument in this pitch, or at concert pitch; by default as the instrument
    that reads it is written."""
    fingering: Annotated[
        Fingering | None, Short(_fingering, ({"enum": [True, "yes", "on", "no", *OFF]},))
    ] = None
    """Fingers and strings under the staff."""
    tablature: Annotated[bool, YES_NO] = False
    """A second staff with strings and frets, for the electric bass."""
    responses: Annotated[str, choice("slashes", "empty")] = "slashes"
    """How the bars to answer in are printed: with slashes, or empty, to write in."""
    instrument: Annotated[str | None, _none_or(tuple(INSTRUMENTS))] = None
    """Who reads it; by default who plays the line."""
    also_for: Annotated[tuple[str, ...], ALSO_FOR] = ()
    """Other readers who get a sheet of their own: Bb, Eb, a clef or an instrument."""


SHEET = Short(short("show"), ({"enum": ["line", "chords", "both"]},))
