"""What every kind of line can be told."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, TypeVar

from pydantic import ConfigDict, ValidationInfo

from drillgen.drill.base import Model
from drillgen.drill.fields import RANGE, Range, choice, whole
from drillgen.drill.instruments import INSTRUMENTS
from drillgen.drill.meter import Meter
from drillgen.drill.problems import Wrongs

# In the schema: a mapping of this kind must name it.
NEEDS_KIND = ConfigDict(json_schema_extra={"required": ["kind"]})

MOST_BEATS = 5  # in a bar: 5/4


class Line(Model):
    """What every kind of line can be told."""

    kind: str
    instrument: Annotated[str, choice(*INSTRUMENTS)] = "upright"
    """What plays the line."""
    range: Annotated[Range | None, RANGE] = None
    """Lowest and highest sounding pitch; by default what lies well on the instrument."""
    begin_at: Annotated[int, whole(1, MOST_BEATS)] = 1
    """The beat on which each call begins; what lies before it in its first bar is left out."""

    @property
    def beats_named(self) -> dict[str, int]:
        """Options that name a beat of the bar, and the last beat that each names."""
        return {"begin_at": self.begin_at}

    def lead(self, bar: Fraction) -> Fraction:
        """Quarter notes before each call in which a pick-up to it sounds; `bar` is a bar's."""
        return 0 * bar

    def check(self, meter: Meter) -> None:
        """Raises RefusedError where the line does not fit the meter."""

    def check_gaps(self, call: int | None, response: int | None) -> None:
        """Raises RefusedError where it does not fit the bars of call and response (None: none)."""

    @property
    def sounding_range(self) -> tuple[int, int]:
        """Lowest and highest sounding MIDI key."""
        if self.range is not None:
            return self.range.midi
        instrument = INSTRUMENTS[self.instrument]
        return instrument.low.midi, instrument.high.midi


_AnyLine = TypeVar("_AnyLine", bound=Line | None)


def in_meter(line: _AnyLine, info: ValidationInfo) -> _AnyLine:
    """A line that fits the drill's meter, where that could be read."""
    meter = info.data.get("meter")
    wrongs = Wrongs()
    if isinstance(line, Line) and meter:
        with wrongs.at(line.kind):
            line.check(meter)
    wrongs.raise_any()
    return line
