"""What a person sees of a drill before it is rendered: its charts, and fingerings asked for."""

from __future__ import annotations

from collections.abc import Iterator

from drillgen.chart import charts
from drillgen.drill.models import Drill
from drillgen.listing import listing


def review(drill: Drill) -> Iterator[str]:
    """The text of each track.  Raises FingeringError where a fingering cannot be found."""
    for chart in charts(drill):
        yield listing(chart)
        if drill.sheet.fingering is not None:
            from drillgen.lines import line
            from drillgen.sheet.hands import in_words, solutions

            found = solutions(chart, line(chart))
            yield from ("\n".join(in_words(chart, each)) for each in found)
