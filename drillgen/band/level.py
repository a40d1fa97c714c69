"""The band plays softer under a response, where the drill asks for that."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from drillgen.chart import Chart
from drillgen.score import Part


def under_responses(chart: Chart, part: Part | None) -> Part | None:
    """The same part, `gaps.level` dB softer in the bars that are left to the student."""
    level = chart.drill.gaps.level if chart.drill.gaps is not None else 0.0
    if part is None or not level:
        return part

    def softer(start: Fraction) -> float:
        return level if chart.bar_at(start).role == "response" else 0.0

    return replace(
        part,
        notes=tuple(replace(note, level=note.level + softer(note.start)) for note in part.notes),
        hits=tuple(replace(hit, level=hit.level + softer(hit.start)) for hit in part.hits),
    )
