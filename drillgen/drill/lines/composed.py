"""What lines share that a person writes out: a melody, with a pick-up perhaps."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

from drillgen.drill.lines.line import Line
from drillgen.drill.melody import Melody
from drillgen.drill.melody_text import MELODY


class Composed(Line):
    """A line with its own notes."""

    notes: Annotated[Melody, MELODY]

    def lead(self, bar: Fraction) -> Fraction:
        """How long the pick-up is, in quarter notes."""
        return self.notes.pickup(bar)
