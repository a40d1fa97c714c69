"""The answers' sheet of call-and-response phrases: what was played, to look at afterwards.

It is a file of its own, so that what a student is handed first does not show it.
"""

from __future__ import annotations

from drillgen.chart import Chart
from drillgen.score import Part, Score
from drillgen.sheet.sheets import sheets

_BY_EAR = ("phrases",)  # lines that are made up by the tool and learned by ear


def answers(chart: Chart, line: Part | None) -> str | None:
    """The calls of a track as MusicXML, each note with its degree; None for other kinds of line."""
    if line is None or chart.drill.line is None or chart.drill.line.kind not in _BY_EAR:
        return None
    return sheets([Score(chart, (line,))]).answers
