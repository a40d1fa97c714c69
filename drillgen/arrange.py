"""From the chart to the score: the line and every player of the band, written out."""

from __future__ import annotations

from drillgen.band.bass import bass
from drillgen.band.comping import comping
from drillgen.band.drums import drums
from drillgen.band.who_plays import click, cue, under_responses
from drillgen.chart import Chart
from drillgen.lines.kinds import line
from drillgen.score import Score


def arrange(chart: Chart) -> Score:
    """Write every part of a track.  The same drill and seed give the same score."""
    melody = line(chart)
    chords = comping(chart, melody)
    players = (drums(chart, chords, melody), chords, bass(chart))
    band = [under_responses(chart, part) for part in players]
    parts = (*band, melody, click(chart), cue(chart, melody))
    return Score(chart, tuple(part for part in parts if part is not None))
