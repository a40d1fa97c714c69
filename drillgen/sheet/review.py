"""What a person sees of a drill before it is rendered: its charts, and fingerings asked for."""

from __future__ import annotations

from collections.abc import Iterator

from drillgen.chart import Chart, charts
from drillgen.drill.models import Drill
from drillgen.listing import listing


def review(drill: Drill) -> Iterator[str]:
    """The text of each track.  Raises FingeringError where a fingering cannot be found."""
    for chart in charts(drill):
        yield listing(chart)
        if drill.sheet.fingering is not None:
            yield from _fingerings(chart)


def _fingerings(chart: Chart) -> Iterator[str]:
    from drillgen.lines import line
    from drillgen.sheet.hands import in_words, solutions
    from drillgen.sheet.reader import read_by, reader_of

    part = line(chart)
    if part is not None:
        reader = reader_of(chart.drill.sheet, part.instrument)
        found = solutions(chart, read_by(chart, part, reader))
        yield from ("\n".join(in_words(chart, each)) for each in found)
