"""Options of guide tones."""

from __future__ import annotations

from typing import Annotated, Literal

from drillgen.drill.fields import choice
from drillgen.drill.lines.line import Line


class GuideTones(Line):
    """Thirds and sevenths, moving by the smallest step."""

    kind: Literal["guide tones"] = "guide tones"
    begin_on: Annotated[int, choice(3, 7)] = 3
    """The tone of the first chord that the line begins on."""
    voices: Annotated[str, choice("one", "both")] = "one"
    """One voice, or the two together."""
    rhythm: Annotated[str, choice("chord", "half", "quarter")] = "chord"
    """A note for each chord, or repeated in halves (two beats) or quarters (a beat)."""
    thread: Annotated[str, choice("key", "track")] = "key"
    """Begin anew in each key, or go on from key to key by the smallest step."""
