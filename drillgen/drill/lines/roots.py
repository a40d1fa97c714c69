"""Options of roots: none of their own."""

from __future__ import annotations

from typing import Literal

from drillgen.drill.lines.line import NEEDS_KIND, Line


class Roots(Line):
    """The root of each chord, or the bass of a slash chord."""

    model_config = NEEDS_KIND
    kind: Literal["roots"] = "roots"
