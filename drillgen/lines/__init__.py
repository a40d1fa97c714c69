"""The line: the melody that the player is learning.

One module a kind, found by its `KIND`; each has `write(stretch, options) -> list[Note]`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from functools import cache
from importlib import import_module
from pkgutil import iter_modules
from random import Random
from typing import cast

from drillgen.chart import Bar, Chart
from drillgen.lines.stretch import Stretch, Writer, cells
from drillgen.score import Note, Part

_HIGH_IN_THE_RANGE = 0.6  # where a line begins: a little above the middle, where it sings


@cache
def writers() -> dict[str, Writer]:
    """Every kind of line that has a module here, by its `KIND`."""
    modules = (import_module(f"{__name__}.{found.name}") for found in iter_modules(__path__))
    return {m.KIND: cast(Writer, m.write) for m in modules if hasattr(m, "KIND")}


def line(chart: Chart) -> Part | None:
    """The line through a whole track; None where the drill has none.

    Each pass is written anew from the same beginning, close to where the last pass began, so that
    every key is the same exercise and no key change is an octave's leap.
    """
    options = chart.drill.line
    if options is None:
        return None
    low, high = options.sounding_range
    write = writers()[options.kind]
    near = round(low + _HIGH_IN_THE_RANGE * (high - low))
    notes: list[Note] = []
    passes = tuple(chart.passes())
    for number, bars in enumerate(passes):
        stretch = _stretch(chart, bars, (low, high), near, number / max(len(passes) - 1, 1))
        written = write(stretch, options)
        near = written[0].pitch.midi if written else near
        notes += _played(written, bars)
    return Part("line", options.instrument, tuple(notes))


def _stretch(
    chart: Chart, bars: tuple[Bar, ...], span: tuple[int, int], near: int, progress: float
) -> Stretch:
    heard = tuple(_heard(chart, bars))
    return Stretch(
        bars=heard,
        cells=tuple(cells(heard)),
        beat=chart.drill.meter.beat,
        low=span[0],
        high=span[1],
        near=near,
        random=Random(f"{chart.drill.seed} line {bars[0].pass_number}"),
        turn=(bars[0].pass_number - 1) % chart.drill.passes,
        progress=progress,
    )


def _heard(chart: Chart, bars: tuple[Bar, ...]) -> Iterator[Bar]:
    """The bars that the line is written over: not a response that repeats its call."""
    gaps = chart.drill.gaps
    repeats = gaps is not None and gaps.harmony == "repeats"
    return (bar for bar in bars if not (repeats and bar.role == "response"))


def _played(notes: list[Note], bars: tuple[Bar, ...]) -> list[Note]:
    """Only what lies in a call (or in play throughout): the response is the student's."""
    open_bars = [bar for bar in bars if bar.role != "response"]
    played = []
    for note in notes:
        if any(bar.start <= note.start < bar.end for bar in open_bars):
            end = min(note.start + note.duration, _silence(note, bars))
            played.append(replace(note, duration=end - note.start))
    return played


def _silence(note: Note, bars: tuple[Bar, ...]) -> Fraction:
    """Where the next response after a note begins; a note may be tied up to there."""
    starts = (bar.start for bar in bars if bar.role == "response" and bar.start > note.start)
    return min(starts, default=bars[-1].end)
