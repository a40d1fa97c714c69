"""Options of walking lines."""

from __future__ import annotations

from typing import Annotated, Literal

from drillgen.drill.fields import YES_NO, choice
from drillgen.drill.lines.line import NEEDS_KIND, Line


class Walking(Line):
    """A note a beat that outlines the chords and leads into each change."""

    model_config = NEEDS_KIND
    kind: Literal["walking"] = "walking"
    beat_one: Annotated[str, choice("root", "chord tone")] = "root"
    """Where a chord begins: always its root, or another tone of it now and then."""
    approach: Annotated[str, choice("chromatic", "dominant", "mixed")] = "mixed"
    """How the last beat leads on: by a semitone, from the fifth above, or both."""
    two_beat: Annotated[bool, YES_NO] = False
    """Two notes a bar instead of four."""
    version: Annotated[str, choice("full", "bare", "alternating")] = "full"
    """The whole line, its roots and guide tones alone, or first these and then the same line."""
