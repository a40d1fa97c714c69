"""Scales chosen by the teacher for some chords: `{V7: altered, m7: dorian}`.

A chord is named by a numeral (V7: wherever that chord stands in the key), by its symbol as written
in the drill's `key` (G7), or by its quality alone (7, m7, alt: every chord of that kind).
"""

from __future__ import annotations

from typing import Any

from drillgen.drill.fields import Read
from drillgen.drill.problems import RefusedError, Wrong, Wrongs, listed, nearest, refuse, show
from drillgen.theory.chords import Chord, parse_chord
from drillgen.theory.numerals import Numeral, is_numeral, parse_numeral
from drillgen.theory.qualities import Degrees
from drillgen.theory.quality_text import QualityError, read_quality
from drillgen.theory.scales import SCALES
from drillgen.theory.symbol_error import SymbolError

Named = Numeral | Chord | Degrees  # one chord of a key, or every chord of a quality
ChordScales = tuple[tuple[Named, str], ...]  # and the name of its scale

_ALLOWED = "a numeral (V7), a chord symbol (G7) or a quality (7, m7, maj7, alt)"


def _read(value: Any) -> ChordScales:
    """Read {V7: altered, m7: dorian}."""
    if isinstance(value, tuple):
        return value
    if not isinstance(value, dict) or not value:
        raise refuse(f"{show(value)} names no chords and scales", "{V7: altered, m7: dorian}")
    wrongs = Wrongs()
    found: list[tuple[Named, str]] = []
    for key, scale in value.items():
        with wrongs.at():
            named = _named(key)
            found.append((named, _scale(key, scale)))
    wrongs.raise_any()
    return tuple(found)


def _named(key: Any) -> Named:
    text = str(key).strip()
    try:
        if is_numeral(text):
            return parse_numeral(text)
        return _quality_or_symbol(text)
    except SymbolError as error:
        raise _no_chord(key, error.suggestion) from None


def _quality_or_symbol(text: str) -> Named:
    try:
        return read_quality(text)
    except QualityError:
        return parse_chord(text)


def _no_chord(key: Any, suggestion: str) -> RefusedError:
    close = f'"{suggestion}"' if suggestion else ""
    return RefusedError([Wrong(f"{show(key)} is no chord", _ALLOWED, close, (key,), key=True)])


def _scale(key: Any, scale: Any) -> str:
    if not isinstance(scale, str) or scale not in SCALES:
        raise refuse(f"{show(scale)} is no scale", listed(SCALES), nearest(scale, SCALES), (key,))
    return scale


CHORD_SCALES = Read(
    _read,
    {
        "type": "object",
        "minProperties": 1,
        "additionalProperties": {"enum": [*SCALES]},
        "examples": [{"V7": "altered", "m7": "dorian"}],
    },
)
