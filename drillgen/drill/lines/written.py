"""Options of written melodies."""

from __future__ import annotations

from typing import Annotated, Literal

from drillgen.drill.fields import choice
from drillgen.drill.lines.composed import Composed
from drillgen.drill.lines.line import NEEDS_KIND
from drillgen.drill.melody import Melody
from drillgen.drill.melody_text import MELODY
from drillgen.drill.meter import Meter
from drillgen.drill.problems import Wrongs


class Written(Composed):
    """A melody of one's own, transposed through the cycle."""

    model_config = NEEDS_KIND
    kind: Literal["written"] = "written"
    notes: Annotated[Melody, MELODY]
    """The melody in degrees of the tonic, or by name in the drill's key, with its rhythm."""
    then: Annotated[str, choice("repeat", "rest")] = "repeat"
    """What comes where the melody is shorter than the form: it again, or silence."""

    def check(self, meter: Meter) -> None:
        """Bars add up."""
        wrongs = Wrongs()
        with wrongs.at("notes"):
            self.notes.check(meter)
        wrongs.raise_any()
