"""The room that a drill leaves for the student: gaps to answer in, and drop-outs of the band."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, model_validator

from drillgen.drill.base import Model
from drillgen.drill.fields import OFF, Short, choice, is_off, number, whole, within
from drillgen.drill.problems import refuse, show


class Gaps(Model):
    """Call and response."""

    call: Annotated[int, whole(1, 64, "bars")] = 4
    """Bars in which the line is played."""
    response: Annotated[int, whole(1, 64, "bars")] = Field(
        default_factory=lambda data: data.get("call", 4)
    )
    """Bars left free to answer in; by default as many as the call's."""
    harmony: Annotated[str, choice("repeats", "continues")] = "repeats"
    """The response plays the same bars again, or call and response trade through the form."""
    band: Annotated[str, choice("plays", "time", "silent")] = "plays"
    """What the band does in a response: play, keep time only, or be silent."""
    level: Annotated[float, number(-40, 0, "dB")] = 0.0
    """How much softer the band plays in a response, in dB."""


class DropOuts(Model):
    """Bars in which the band is silent while time goes on."""

    every: Annotated[int, whole(2, 64, "bars")] = 8
    """How many bars are counted, from the first after the count-in, over and over."""
    bars: Annotated[int, whole(1, 63, "bars")] = 2
    """How many of them, the last ones, the band leaves empty."""

    @model_validator(mode="after")
    def _some_are_played(self) -> DropOuts:
        if self.bars >= self.every:
            raise refuse(
                f"{self.bars} of every {self.every} bars leaves none to play",
                f"bars: 1 to {self.every - 1}",
            )
        return self


def short(key: str) -> Any:
    """A plain value is short for a mapping with this one key."""

    def expand(value: Any) -> Any:
        return value if isinstance(value, dict | Model) else {key: value}

    return expand


def _or_none(key: str, least: int, allowed: str) -> Any:
    """The same for a number of bars; off leaves it out."""

    def expand(value: Any) -> Any:
        if is_off(value):
            return None
        if isinstance(value, dict | Model):
            return value
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise refuse(f"{show(value)} does not fit here", allowed)
        return {key: within(value, least, _MOST, allowed)}

    return expand


_MOST = 64  # bars
_OFF = {"enum": [*OFF]}
GAPS = Short(
    _or_none("call", 1, f"1 to {_MOST} bars, none, or a mapping: {{call: 4, response: 4}}"),
    ({"type": "integer", "minimum": 1, "maximum": _MOST}, _OFF),
)
DROP_OUTS = Short(
    _or_none("every", 3, f"every 3 to {_MOST} bars, none, or a mapping: {{every: 8, bars: 2}}"),
    ({"type": "integer", "minimum": 3, "maximum": _MOST}, _OFF),
)
