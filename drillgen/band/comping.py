"""Comping: rootless voicings led by the smallest motion, in rhythms that leave room.

A bar's rhythm (a cell of the feel) must let each of the bar's chords be heard; a stroke on the last
half-beat before a change already plays the next chord (common practice: an anticipation, or push).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from math import exp
from random import Random

from drillgen.band.feel import Choices, feel
from drillgen.band.patterns import Stroke, strokes
from drillgen.band.room import after, plays
from drillgen.chart import Bar, Chart, Span
from drillgen.score import Note, Part, Touch
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Pitch
from drillgen.theory.voicings import voiced

# Where each instrument's voicings lie (sounding MIDI keys) and how many notes they have.
_REGISTERS = {
    "piano": (50, 74, 4),
    "electric piano": (50, 74, 4),
    "guitar": (50, 72, 3),
    "vibraphone": (53, 77, 4),
}
_FEWEST, _MORE = 1.0, 2.2  # strokes a bar at density 0, and how many more at density 1
_SPREAD = 1.1  # how strictly the number of strokes follows the density


@dataclass(frozen=True, slots=True)
class Struck:
    """One stroke and the chord it plays."""

    start: Fraction  # quarter notes
    touch: Touch
    chord: Chord
    key: Key
    until: Fraction  # where the chord ends


def comping(chart: Chart) -> Part | None:
    """The comping part of a track; None where it is off."""
    spec = chart.drill.band.comping
    if spec.kind == "off":
        return None
    low, high, size = _REGISTERS[spec.kind]
    if spec.register:
        low, high = spec.register
    random = Random(f"{chart.drill.seed} comping")
    struck = [*_struck(chart, random), *_ending(chart)]
    notes: list[Note] = []
    previous: tuple[Pitch, ...] | None = None
    for index, stroke in enumerate(struck):
        previous = voiced(stroke.chord, stroke.key, previous, low=low, high=high, size=size)
        following = struck[index + 1].start if index + 1 < len(struck) else stroke.until
        length = _length(stroke, following, chart.drill.meter.beat)
        notes += [Note(stroke.start, length, pitch, stroke.touch) for pitch in previous]
    return Part("comping", spec.kind, tuple(notes))


def _struck(chart: Chart, random: Random) -> Iterator[Struck]:
    cells = feel(chart.drill.feel, chart.drill.meter).cells
    pushed = (
        False  # the bar's first chord was already played on the last half-beat of the bar before
    )
    for bar in chart.bars:
        if bar.form_bar < 0 or not plays(chart, bar, "comping"):
            pushed = False
            continue
        strokes_here = list(_bar(chart, bar, cells, pushed, random))
        yield from strokes_here
        pushed = bool(strokes_here) and strokes_here[-1].until > bar.end


def _bar(chart: Chart, bar: Bar, cells: Choices, pushed: bool, random: Random) -> Iterator[Struck]:
    """The bar's strokes, each with its chord, from a cell in which every chord is heard."""
    places = [
        (_placed(chart, bar, strokes(pattern, chart.drill.meter)), weight)
        for pattern, weight in zip(cells.patterns, cells.weights, strict=True)
    ]
    wanted = _FEWEST + _MORE * chart.drill.band.comping.density
    usable = [
        (cell, weight * exp(-_SPREAD * (len(cell) - wanted) ** 2 / 2))
        for cell, weight in places
        if _all_heard(bar, cell, pushed)
    ]
    if usable:
        return iter(random.choices([c for c, _ in usable], [w for _, w in usable])[0])
    return (
        Struck(span.start, "held", span.chord, bar.key, span.end)
        for span in bar.spans
        if span.chord is not None
    )


def _placed(chart: Chart, bar: Bar, found: tuple[Stroke, ...]) -> tuple[Struck, ...]:
    """The strokes with the chord each plays: its own, or the next one where it anticipates it."""
    following = after(chart, bar)
    struck = []
    for stroke in found:
        place = bar.start + stroke.place
        span, key = _span_at(bar, place), bar.key
        push = chart.drill.meter.beat / 2
        if place > span.start and span.end - place <= push:
            anticipated = _next_span(chart, bar, span, following)
            if anticipated is not None and following is not None:
                span, key = anticipated, key if anticipated.start < bar.end else following.key
        if span.chord is not None:
            struck.append(Struck(place, stroke.touch, span.chord, key, span.end))
    return tuple(struck)


def _span_at(bar: Bar, place: Fraction) -> Span:
    return next(span for span in reversed(bar.spans) if span.start <= place)


def _next_span(chart: Chart, bar: Bar, span: Span, following: Bar | None) -> Span | None:
    """The chord after `span`, if the comping plays it."""
    index = bar.spans.index(span) + 1
    if index < len(bar.spans):
        return bar.spans[index]
    if following is None or not following.spans or not plays(chart, following, "comping"):
        return None
    return following.spans[0]


def _all_heard(bar: Bar, cell: tuple[Struck, ...], pushed: bool) -> bool:
    heard = {stroke.until for stroke in cell}
    return all(
        span.end in heard or (index == 0 and pushed)
        for index, span in enumerate(bar.spans)
        if span.chord is not None
    )


def _length(stroke: Struck, following: Fraction, beat: Fraction) -> Fraction:
    """Held strokes last to the next one or the chord's end, others half a beat or a beat."""
    longest = min(following, stroke.until) - stroke.start
    if longest <= 0:
        longest = following - stroke.start
    wanted = {"held": longest, "short": beat / 2}.get(stroke.touch, beat)
    return min(wanted, longest)


def _ending(chart: Chart) -> Iterator[Struck]:
    final = [bar for bar in chart.bars if bar.role == "ending"]
    for bar in final[:1]:
        chord = bar.spans[0].chord
        if chord is not None:
            yield Struck(bar.start, "held", chord, bar.key, final[-1].end)
