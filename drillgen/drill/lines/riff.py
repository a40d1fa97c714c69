"""Options of riffs."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from drillgen.drill.fields import YES_NO, Read, choice, is_off
from drillgen.drill.lines.composed import Composed
from drillgen.drill.lines.line import NEEDS_KIND
from drillgen.drill.melody import Melody
from drillgen.drill.melody_text import MELODY
from drillgen.drill.meter import Meter
from drillgen.drill.notation import ScaleNote
from drillgen.drill.problems import Wrongs, refuse

_CHANGES = ("no", "note", "rhythm")


def _read_develop(value: Any) -> Any:
    return "no" if is_off(value) else choice(*_CHANGES).function(value)


class Riff(Composed):
    """A figure in degrees of the tonic, kept over every chord."""

    model_config = NEEDS_KIND
    kind: Literal["riff"] = "riff"
    notes: Annotated[Melody, MELODY]
    """The riff in degrees of the tonic, with its rhythm."""
    develop: Annotated[str, Read(_read_develop, {"enum": [*_CHANGES, "off", "none", False]})] = "no"
    """Change one note, or the place of one note, each time round; the first note stays."""
    blue: Annotated[bool, YES_NO] = True
    """Blue notes stay: b3, b5, b7 of the tonic over every chord, the #9 over a dominant."""

    def check(self, meter: Meter) -> None:
        """Bars add up, the notes are degrees, and there is something to develop."""
        wrongs = Wrongs()
        with wrongs.at("notes"):
            self.notes.check(meter)
        with wrongs.at("notes"):
            if not all(isinstance(tone, ScaleNote) for tone in self.notes.tones):
                raise refuse("a riff is written in degrees", "degrees, or `kind: written`")
        with wrongs.at("develop"):
            if self.develop == "note" and len(set(self.notes.tones)) < 2:
                raise refuse("the riff has one note only", "no, or two different notes")
        wrongs.raise_any()
