"""Options of scale patterns."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from drillgen.drill.fields import YES_NO, ReadWith, choice
from drillgen.drill.fields import Read as Reader
from drillgen.drill.lines.chord_scales import CHORD_SCALES, ChordScales
from drillgen.drill.lines.degrees import ORDER
from drillgen.drill.lines.line import NEEDS_KIND, Line
from drillgen.drill.problems import listed, nearest, refuse, show

PATTERNS = ("scale", "thirds", "fourths", "groups of four")


def _read_pattern(value: Any) -> str | tuple[int, ...]:
    """Read a pattern by name, or degrees: 1235, 1-2-3-5."""
    if isinstance(value, str) and not any(sign.isdigit() for sign in value):
        if value in PATTERNS:
            return value
        allowed = f"{listed(PATTERNS)}, or degrees of the scale: 1235"
        raise refuse(f"{show(value)} is no pattern", allowed, nearest(value, PATTERNS))
    order: tuple[int, ...] = ORDER.function(value)
    return order


def _read_bebop(value: Any, data: dict[str, Any]) -> bool:
    bebop: bool = YES_NO.function(value)
    if bebop and (data.get("pattern", "scale"), data.get("note", "eighth")) != ("scale", "eighth"):
        raise refuse(
            "bebop scales put chord tones on the beats by going up and down in eighths",
            "pattern: scale and note: eighth",
        )
    return bebop


_ORDER_FORMS = [form for form in ORDER.schema["anyOf"] if form.get("type") != "string"]
_DEGREES = {"type": "string", "pattern": "[0-9]"}
PATTERN = Reader(
    _read_pattern,
    {
        "anyOf": [{"enum": [*PATTERNS]}, *_ORDER_FORMS, _DEGREES],
        "default": "1235",
        "examples": ["1235", *PATTERNS],
    },
)


class ScalePattern(Line):
    """Patterns over each chord's scale."""

    model_config = NEEDS_KIND
    kind: Literal["scale pattern"] = "scale pattern"
    pattern: Annotated[str | tuple[int, ...], PATTERN] = (1, 2, 3, 5)
    """Degrees over each chord's root, or the scale in steps, thirds, fourths or groups of four."""
    direction: Annotated[str, choice("up", "down", "alternating")] = "up"
    """Rising, falling, or one chord each way."""
    note: Annotated[str, choice("quarter", "eighth", "triplet")] = "quarter"
    """The length of the notes: a beat, half a beat, or a third of one."""
    scales: Annotated[ChordScales, CHORD_SCALES] = ()
    """Scales for some chords, in the place of the usual ones: {V7: altered, m7: dorian}."""
    bebop: Annotated[
        bool, ReadWith(schema={**YES_NO.schema, "default": False}, function=_read_bebop)
    ] = False
    """A passing note in each scale, so that chord tones fall on the beats."""
    connect: Annotated[bool, YES_NO] = False
    """Go on from the nearest tone at each change, up and down through the whole range."""
