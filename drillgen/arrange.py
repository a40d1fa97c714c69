"""From the chart to the score: the line and every player of the band, written out; and what counts
them in: strokes as players count, a starting note, and a click throughout where asked.

How each feel is counted stands in its file: two bars of swing in halves first and in quarters last
(1 . 3 . | 1 2 3 4), a waltz or a slow feel on every beat (common practice).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from quicktions import Fraction

from drillgen.band.bass import bass
from drillgen.band.comping import comping
from drillgen.band.drums import drums
from drillgen.band.feel import KEYS, feel, strokes
from drillgen.chart import Bar, Chart
from drillgen.lines.kinds import line
from drillgen.score import Hit, Note, Part, Score, Touch, plays


def arrange(chart: Chart) -> Score:
    """Write every part of a track.  The same drill and seed give the same score."""
    return accompanied(chart, line(chart))


def accompanied(chart: Chart, melody: Part | None) -> Score:
    """The band that is written for a line, and the line itself."""
    chords = comping(chart, melody)
    players = (drums(chart, chords, melody), chords, bass(chart))
    band = [under_responses(chart, part) for part in players]
    parts = (*band, melody, click(chart), cue(chart, melody))
    return Score(chart, tuple(part for part in parts if part is not None))


# The band plays softer under a response, where the drill asks for that.


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


# The count-in's sounds: on the bar's first beat, on the others.
COUNT_SOUNDS = {
    "sticks": ("side stick", "side stick"),
    "click": ("high woodblock", "low woodblock"),
    "hat": ("pedal hi-hat", "pedal hi-hat"),
}
_CLICK_LEVEL = -6.0  # dB
_LENGTH = Fraction(1, 4)


def click(chart: Chart) -> Part | None:
    """Count-in strokes, and a click under the music where the drill asks for one."""
    hits = [*_count_in(chart), *_throughout(chart)]
    return Part("click", "standard kit", hits=tuple(hits)) if hits else None


def cue(chart: Chart, line: Part | None) -> Part | None:
    """The line's first note, sounded in the bar before the count-in, and each key's in the bar that
    leads to it."""
    if line is None or not line.notes:
        return None
    first = chart.bars[: chart.drill.count_in.starting_note]
    bars = [*first, *(bar for bar in chart.bars if bar.change)]
    notes = tuple(note for bar in bars for note in _starting_note(chart, line, bar))
    return Part("cue", line.instrument, notes) if notes else None


def _starting_note(chart: Chart, line: Part, bar: Bar) -> Iterator[Note]:
    """The first note that the line has from a bar on, sounded as the bar begins and gone before a
    pick-up to the next key."""
    length = bar.length - chart.drill.meter.beat
    coming = next((note for note in line.notes if note.start >= bar.start), None)
    if coming is not None:
        free = coming.start - bar.start
        yield Note(bar.start, min(length, free or length), coming.pitch, mark="starting note")


def _count_in(chart: Chart) -> Iterator[Hit]:
    bars = [bar for bar in chart.bars if bar.role == "count-in"]
    if chart.drill.count_in.starting_note:
        bars = bars[1:]
    first, other = COUNT_SOUNDS[chart.drill.count_in.sound]
    spoken = feel(chart.drill.feel, chart.drill.meter).count
    counts = [spoken[0]] * (len(bars) - len(spoken)) + list(spoken)
    for bar, pattern in zip(bars, counts[len(counts) - len(bars) :], strict=True):
        for stroke in strokes(pattern, chart.drill.meter):
            on_one = stroke.place == 0
            touch: Touch = "accent" if on_one else stroke.touch
            yield Hit(bar.start + stroke.place, KEYS[first if on_one else other], touch, 0, _LENGTH)


def _throughout(chart: Chart) -> Iterator[Hit]:
    for bar in chart.bars:
        if bar.form_bar >= 0 and plays(chart, bar, "click"):
            for beat in _clicked(chart, bar):
                place = bar.start + beat * chart.drill.meter.beat
                key = KEYS["low woodblock" if beat else "high woodblock"]
                yield Hit(place, key, "normal", _CLICK_LEVEL, _LENGTH)


def _clicked(chart: Chart, bar: Bar) -> range:
    """The beats (from 0) that click: as asked; all where time is to be kept without a drummer."""
    drill = chart.drill
    if drill.band.click.kind == "beats":
        return range(drill.meter.beats)
    if drill.band.click.kind == "two and four":
        return range(1, drill.meter.beats, 2)
    keeps_time = bar.role == "response" and drill.gaps is not None and drill.gaps.band == "time"
    return range(drill.meter.beats if keeps_time and drill.band.drums.kind == "off" else 0)
