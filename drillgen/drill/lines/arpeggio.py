"""Options of arpeggios."""

from __future__ import annotations

from typing import Annotated, Literal

from drillgen.drill.fields import YES_NO, choice, whole
from drillgen.drill.lines.degrees import ORDER
from drillgen.drill.lines.line import NEEDS_KIND, Line


class Arpeggio(Line):
    """The tones of each chord in a stated order."""

    model_config = NEEDS_KIND
    kind: Literal["arpeggio"] = "arpeggio"
    order: Annotated[tuple[int, ...], ORDER] = (1, 3, 5, 7)
    """Degrees over each chord's root, in the order in which they are played."""
    inversion: Annotated[int, whole(0, 3)] = 0
    """How many tones higher it begins: 1 makes 3 5 7 8 of 1 3 5 7."""
    direction: Annotated[str, choice("up", "down", "alternating")] = "up"
    """The order as written, backwards, or one chord each way."""
    note: Annotated[str, choice("quarter", "eighth", "triplet")] = "quarter"
    """The length of the notes: a beat, half a beat, or a third of one."""
    connect: Annotated[bool, YES_NO] = False
    """Begin each chord on the tone nearest to the last note."""
