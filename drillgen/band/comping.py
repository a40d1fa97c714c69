"""Comping: the feel's rhythms (`rhythm.py`) in voicings that move least (`voicing.py`)."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from random import Random

from drillgen.band.rhythm import Struck, struck
from drillgen.band.voicing import voicings
from drillgen.chart import Chart
from drillgen.score import Note, Part


def comping(chart: Chart, line: Part | None = None) -> Part | None:
    """The comping part of a track, below the line where that is higher; None where it is off."""
    spec = chart.drill.band.comping
    if spec.kind == "off":
        return None
    random = Random(f"{chart.drill.luck} comping")
    strokes = [*struck(chart, random), *_ending(chart)]
    ends = [stroke.start for stroke in strokes[1:]]
    ends += [min(stroke.until, chart.end) for stroke in strokes[-1:]]
    beat = chart.drill.meter.beat
    timed = [(each, _length(each, end, beat)) for each, end in zip(strokes, ends, strict=True)]
    notes = [
        Note(stroke.start, length, pitch, stroke.touch)
        for stroke, voices in zip(strokes, voicings(chart, timed, line), strict=True)
        for pitch, length in voices
    ]
    return Part("comping", spec.kind.removeprefix("rhythm "), tuple(notes))


def _length(stroke: Struck, following: Fraction, beat: Fraction) -> Fraction:
    """Held strokes last to the next one or the chord's end, others half a beat or a beat."""
    longest = min(following, stroke.until) - stroke.start
    if longest <= 0:
        longest = following - stroke.start
    wanted = {"held": longest, "short": beat / 2}.get(stroke.touch, beat)
    return min(wanted, longest)


def _ending(chart: Chart) -> Iterator[Struck]:
    final = chart.ending
    for bar in final[:1]:
        chord = bar.spans[0].chord
        if chord is not None:
            yield Struck(bar.start, "held", chord, bar.key, final[-1].end)
