"""What a person sees of a drill before it is rendered: its charts, and fingerings asked for."""

from __future__ import annotations

from collections.abc import Iterator

from drillgen.chart import Chart, charts
from drillgen.drill.models import Drill
from drillgen.listing import listing

_BY_EAR = ("phrases",)  # their answers show the line, whatever the sheet does


def review(drill: Drill, *, fingered: bool = True) -> Iterator[str]:
    """The text of each track, with its fingerings or without.  Raises FingeringError where one
    cannot be found."""
    tracks = charts(drill)
    for chart in tracks:
        yield listing(chart, tracks)
        if fingered and drill.sheet.fingering is not None and shows_line(drill):
            yield from _fingerings(chart)


def shows_line(drill: Drill) -> bool:
    """Whether any sheet of a drill shows the line, and so the hand that plays it."""
    line = drill.line
    return line is not None and (drill.sheet.show != "chords" or line.kind in _BY_EAR)


def _fingerings(chart: Chart) -> Iterator[str]:
    from drillgen.lines import line
    from drillgen.sheet.hands import in_words, solutions
    from drillgen.sheet.reader import read_by, reader_of

    part = line(chart)
    if part is not None:
        reader = reader_of(chart.drill.sheet, part.instrument)
        found = solutions(chart, read_by(chart, part, reader))
        yield from ("\n".join(in_words(chart, each)) for each in found)
