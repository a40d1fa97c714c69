"""The answers' sheet of call-and-response phrases: what was played, to look at afterwards.

It is a file of its own, so that what a student is handed first does not show it.
"""

from __future__ import annotations

from drillgen.chart import Chart
from drillgen.drill.instruments import written_octaves
from drillgen.score import Part
from drillgen.sheet.musicxml import Heading, musicxml
from drillgen.sheet.staff import measures

_KINDS = ("phrases",)  # lines that are made up by the tool and learned by ear
_CLEFS = {"upright": "bass", "electric": "bass", "cello": "bass", "trombone": "bass"}


def answers(chart: Chart, line: Part | None) -> str | None:
    """The calls of a track as MusicXML, each note with its degree; None for other kinds of line."""
    if chart.drill.line is None or line is None or chart.drill.line.kind not in _KINDS:
        return None
    bars = [bar for bar in chart.bars if bar.role == "call"]
    octaves = written_octaves(line.instrument)
    heading = Heading(
        f"{chart.drill.title}: answers",
        line.instrument.capitalize(),
        _CLEFS.get(line.instrument, "treble"),
        octaves,
        marks=True,
    )
    return musicxml(heading, measures(chart, line.notes, bars, octaves), chart.drill.meter)
