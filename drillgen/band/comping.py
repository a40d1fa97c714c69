"""Comping: the feel's rhythms in voicings that move least (`voicing.py`)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from math import exp
from random import Random

from drillgen.band.feel import (
    PatternStroke,
    Rhythms,
    bar_of,
    counted,
    drawn,
    feel,
    goes_on,
    remembering,
    strokes,
)
from drillgen.band.voicing import voicings
from drillgen.band.who_plays import after, plays
from drillgen.chart import Bar, Chart, Span
from drillgen.score import Note, Part, Touch
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key

# Comping's rhythm: which cell of the feel is played in a bar, and which chord each stroke plays.
#
# A bar's rhythm must let each of the bar's chords be heard; a stroke on the last half-beat before a
# change already plays the next chord (common practice: an anticipation, or push). How many strokes
# a bar has follows the density, and the tempo as the feel's file says.

_SPREAD = 1.1  # how strictly the number of strokes follows the density


@dataclass(frozen=True, slots=True)
class Struck:
    """One stroke and the chord it plays."""

    start: Fraction  # quarter notes
    touch: Touch
    chord: Chord
    key: Key
    until: Fraction  # where the chord ends


def struck(chart: Chart, random: Random) -> Iterator[Struck]:
    """Every stroke of the comping, the ending's left out."""
    rhythms = feel(chart.drill.feel, chart.drill.meter).rhythms(chart.drill.band.comping.kind)
    pushed = False  # the bar's first chord was already played at the end of the bar before
    last: str | None = None
    for bar in chart.bars:
        if bar.form_bar < 0 or not plays(chart, bar, "comping"):
            pushed = False
            continue
        count = counted(chart, bar)
        last = _cell(chart, bar, count, rhythms, pushed, random, last)
        here = _spelled_out(bar) if last is None else _in_bar(chart, bar, count, last)
        yield from here
        pushed = bool(here) and here[-1].until > bar.end


def _cell(
    chart: Chart,
    bar: Bar,
    count: int,
    rhythms: Rhythms,
    pushed: bool,
    random: Random,
    last: str | None,
) -> str | None:
    """A cell in which each of the bar's chords is heard, by density; None where there is none."""
    if last is not None and goes_on(last, count):  # the rest of a longer cell
        here = _in_bar(chart, bar, count, last)
        if _all_heard(bar, here, pushed):
            return last
    tempo = float(bar.tempo)
    wanted = rhythms.wanted(chart.drill.band.comping.density, tempo)
    usable = {}
    for pattern, weight in rhythms.cells.at(tempo).items():
        here = _in_bar(chart, bar, count, pattern)
        if _all_heard(bar, here, pushed):
            usable[pattern] = weight * exp(-_SPREAD * (len(here) - wanted) ** 2 / 2)
    return drawn(random, remembering(usable, last)) if usable else None


def _in_bar(chart: Chart, bar: Bar, count: int, pattern: str) -> tuple[Struck, ...]:
    """What a cell plays in the bar `count` of the music."""
    return _placed(chart, bar, strokes(bar_of(pattern, count), chart.drill.meter))


def _spelled_out(bar: Bar) -> tuple[Struck, ...]:
    """Each chord where it begins."""
    return tuple(
        Struck(span.start, "held", span.chord, bar.key, span.end)
        for span in bar.spans
        if span.chord is not None
    )


def _placed(chart: Chart, bar: Bar, found: tuple[PatternStroke, ...]) -> tuple[Struck, ...]:
    """The strokes with the chord each plays: its own, or the next one where it anticipates it.

    A track that is to be looped ends by anticipating its own beginning.
    """
    following = after(chart, bar) or next(each for each in chart.bars if each.form_bar >= 0)
    push = chart.drill.meter.beat / 2
    struck = []
    for stroke in found:
        place = bar.start + stroke.place
        span, key = _span_at(bar, place), bar.key
        if span.chord is None:
            continue  # nothing sounds under N.C., not even what comes next
        if place > span.start and span.end - place <= push:
            anticipated = _next_span(chart, bar, span, following)
            if anticipated is not None:
                key = key if anticipated in bar.spans else following.key
                span = anticipated if anticipated.end > place else _later(anticipated, bar.end)
        if span.chord is not None:
            struck.append(Struck(place, stroke.touch, span.chord, key, span.end))
    return tuple(struck)


def _span_at(bar: Bar, place: Fraction) -> Span:
    return next(span for span in reversed(bar.spans) if span.start <= place)


def _later(span: Span, start: Fraction) -> Span:
    """The same chord in another place."""
    return Span(start, span.duration, span.chord)


def _next_span(chart: Chart, bar: Bar, span: Span, following: Bar) -> Span | None:
    """The chord after `span`, if the comping plays it."""
    index = bar.spans.index(span) + 1
    if index < len(bar.spans):
        return bar.spans[index]
    if not following.spans or not plays(chart, following, "comping"):
        return None
    return following.spans[0]


def _all_heard(bar: Bar, cell: tuple[Struck, ...], pushed: bool) -> bool:
    heard = {stroke.until for stroke in cell}
    return all(
        span.end in heard or (index == 0 and pushed)
        for index, span in enumerate(bar.spans)
        if span.chord is not None
    )


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
