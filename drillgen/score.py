"""The score: what is written, before anybody plays it.

Times are in quarter notes from the first bar's start (the count-in's, where there is one), as
fractions.  Pitches are spelled and sounding (a double bass is engraved an octave higher by the
sheet).  Swing is not written: swing eighths stand as plain eighths, as on a lead sheet.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from drillgen.chart import Chart
from drillgen.theory.pitch import Pitch

PartName = Literal["drums", "comping", "bass", "line", "click", "cue"]
Touch = Literal["normal", "accent", "ghost", "short", "held"]


@dataclass(frozen=True, slots=True)
class Note:
    """One written note of a pitched part."""

    start: Fraction  # quarter notes
    duration: Fraction  # quarter notes
    pitch: Pitch
    touch: Touch = "normal"
    level: float = 0.0  # dB against the part's own level
    mark: str = ""  # what the note is for: "3", "7", "approach", …
    late: float = 0.0  # seconds after its place: the upper notes of a rolled chord


@dataclass(frozen=True, slots=True)
class Hit:
    """One stroke on a percussion instrument (General MIDI percussion key)."""

    start: Fraction  # quarter notes
    key: int  # GM percussion key, 35 to 81
    touch: Touch = "normal"
    level: float = 0.0  # dB against the part's own level
    duration: Fraction = Fraction(1, 4)


@dataclass(frozen=True, slots=True)
class Part:
    """Everything one player plays, in order of time."""

    name: PartName
    instrument: str  # a key of `drillgen.instruments`
    notes: tuple[Note, ...] = ()
    hits: tuple[Hit, ...] = ()


@dataclass(frozen=True, slots=True)
class Score:
    """A chart with every part written out."""

    chart: Chart
    parts: tuple[Part, ...] = field(default=())

    def part(self, name: PartName) -> Part | None:
        return next((part for part in self.parts if part.name == name), None)
