"""Rhythms as players count them: "1 2> 2& (3) 4-" becomes strokes in quarter notes.

The beat's number, then `&` for its second half or `+1/3` for any other part of a beat; then `>`
for an accent, `.` short, `-` held; round brackets for a ghost note.  Accent, staccato and tenuto
signs and bracketed ghost notes are notation's own.  `|` divides the bars of a longer pattern.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from drillgen.drill.models import Meter
from drillgen.score import Touch

_STROKE = re.compile(r"(\()?(\d+)(&|\+(\d+)/(\d+))?([>.\-])?(\))?")
_TOUCH: dict[str, Touch] = {">": "accent", ".": "short", "-": "held"}


@dataclass(frozen=True, slots=True)
class Stroke:
    """One place in a bar."""

    place: Fraction  # quarter notes from the barline
    touch: Touch


def bars_of(pattern: str) -> tuple[str, ...]:
    """The bars of a pattern, most often one."""
    return tuple(bar.strip() for bar in pattern.split("|"))


def bar_of(pattern: str, count: int) -> str:
    """What a pattern plays in the bar `count` of the music (from 0)."""
    bars = bars_of(pattern)
    return bars[count % len(bars)]


def goes_on(pattern: str | None, count: int) -> bool:
    """Whether bar `count` lies within a pattern of several bars that began before it."""
    return pattern is not None and count % len(bars_of(pattern)) > 0


@lru_cache(maxsize=4096)
def strokes(bar: str, meter: Meter) -> tuple[Stroke, ...]:
    """Read one bar for a meter; 'rest' is a bar without strokes.

    Raises ValueError where a stroke cannot be read or lies outside the bar.
    """
    if bar.strip() == "rest":
        return ()
    return tuple(read_stroke(word, meter) for word in bar.split())


def read_stroke(word: str, meter: Meter) -> Stroke:
    """Read one stroke: '2&.'.  Raises ValueError as `strokes` does."""
    found = _STROKE.fullmatch(word)
    if not found or bool(found[1]) != bool(found[7]):
        raise ValueError(f"not a stroke: {word!r}")
    part = Fraction(0)
    if found[3]:
        part = Fraction(1, 2) if found[3] == "&" else Fraction(int(found[4]), int(found[5]))
    place = (int(found[2]) - 1 + part) * meter.beat
    if not 0 <= place < meter.bar:
        raise ValueError(f"{word!r} lies outside a bar of {meter.text}")
    return Stroke(place, "ghost" if found[1] else _TOUCH.get(found[6] or "", "normal"))
