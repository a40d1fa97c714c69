"""What every kind of line can be told."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict

from drillgen.drill.base import Model
from drillgen.drill.fields import RANGE, Range, choice
from drillgen.drill.instruments import INSTRUMENTS

# In the schema: a mapping of this kind must name it.
NEEDS_KIND = ConfigDict(json_schema_extra={"required": ["kind"]})


class Line(Model):
    """What every kind of line can be told."""

    kind: str
    instrument: Annotated[str, choice(*INSTRUMENTS)] = "upright"
    """What plays the line."""
    range: Annotated[Range | None, RANGE] = None
    """Lowest and highest sounding pitch; by default what lies well on the instrument."""

    @property
    def sounding_range(self) -> tuple[int, int]:
        """Lowest and highest sounding MIDI key."""
        if self.range is not None:
            return self.range.midi
        instrument = INSTRUMENTS[self.instrument]
        return instrument.low.midi, instrument.high.midi
