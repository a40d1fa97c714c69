"""Comping: the feel's rhythms in voicings that move least (`voicing.py`)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
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
from drillgen.chart import Bar, Chart
from drillgen.drill.models import Meter
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
        here = _spelled_out(bar) if last is None else tuple(_in_bar(chart, bar, count, last))
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
    layout, meter = _laid_out(chart, bar), chart.drill.meter
    if last is not None and goes_on(last, count):  # the rest of a longer cell
        here = _placed(layout, bar_of(last, count), meter)
        if _all_heard(layout, here, pushed):
            return last
    tempo = float(bar.tempo)
    wanted = rhythms.wanted(chart.drill.band.comping.density, tempo)
    usable = {}
    for pattern, weight in rhythms.cells.at(tempo).items():
        here = _placed(layout, bar_of(pattern, count), meter)
        if _all_heard(layout, here, pushed):
            usable[pattern] = weight * exp(-_SPREAD * (len(here) - wanted) ** 2 / 2)
    return drawn(random, remembering(usable, last)) if usable else None


def _spelled_out(bar: Bar) -> tuple[Struck, ...]:
    """Each chord where it begins."""
    return tuple(
        Struck(span.start, "held", span.chord, bar.key, span.end)
        for span in bar.spans
        if span.chord is not None
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Layout:
    """A bar's chords and the one after it; alike bars have the same layout, which is quick."""

    # Where each begins (quarter notes into the bar), and whether it sounds, which N.C. does not; of
    # the one after the bar None where the comping does not go on.
    chords: tuple[tuple[Fraction, bool | None], ...]


_layout = lru_cache(maxsize=4096)(_Layout)


def _laid_out(chart: Chart, bar: Bar) -> _Layout:
    following = _following(chart, bar)
    goes_on = following.spans and plays(chart, following, "comping")
    own = [(span.start - bar.start, span.chord is not None) for span in bar.spans]
    then = following.spans[0].chord is not None if goes_on else None
    return _layout((*own, (bar.length, then)))


def _following(chart: Chart, bar: Bar) -> Bar:
    """The next bar.  A track that is to be looped ends by anticipating its own beginning."""
    return after(chart, bar) or next(each for each in chart.bars if each.form_bar >= 0)


@lru_cache(maxsize=65536)
def _placed(layout: _Layout, pattern: str, meter: Meter) -> tuple[tuple[PatternStroke, int], ...]:
    """A bar's strokes with the chord that each plays: its own, or the next one where it anticipates
    it.  Nothing sounds under N.C., not even what comes next."""
    placed = []
    for stroke in strokes(pattern, meter):
        index = max(i for i, (start, _) in enumerate(layout.chords[:-1]) if start <= stroke.place)
        (start, sounds), (end, following) = layout.chords[index : index + 2]
        if sounds and stroke.place > start and end - stroke.place <= meter.beat / 2:
            sounds, index = (following, index + 1) if following is not None else (sounds, index)
        if sounds:
            placed.append((stroke, index))
    return tuple(placed)


def _all_heard(
    layout: _Layout, placed: tuple[tuple[PatternStroke, int], ...], pushed: bool
) -> bool:
    heard = {index for _, index in placed} | ({0} if pushed else set())
    return all(i in heard for i, (_, sounds) in enumerate(layout.chords[:-1]) if sounds)


def _in_bar(chart: Chart, bar: Bar, count: int, pattern: str) -> Iterator[Struck]:
    """What a cell plays in the bar `count` of the music."""
    following = _following(chart, bar)
    found = _placed(_laid_out(chart, bar), bar_of(pattern, count), chart.drill.meter)
    for stroke, index in found:
        place = bar.start + stroke.place
        ahead = index == len(bar.spans)
        span, key = (following.spans[0], following.key) if ahead else (bar.spans[index], bar.key)
        until = span.end if span.end > place else bar.end + span.duration
        if span.chord is not None:
            yield Struck(place, stroke.touch, span.chord, key, until)


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
