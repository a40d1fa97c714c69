"""Who plays in a bar, what counts it, and the keys of percussion.

Who plays in a bar, and how strongly: drop-outs, responses, levels.

Percussion keys and kits.

Keys 35 to 81 are General MIDI Level 1 (MMA RP-003).  On the brush kit (program 40, as General MIDI
Level 2 and most soundfonts have it) three of the snare's keys become tap, slap and swirl.

The click: counting in as players do, a starting note, and a click throughout where asked.

How each feel is counted stands in its file: two bars of swing in halves first and in quarters last
(1 . 3 . | 1 2 3 4), a waltz or a slow feel on every beat (common practice).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import groupby

from drillgen.band.feel import KEYS, feel, strokes
from drillgen.chart import Bar, Chart
from drillgen.score import Hit, Note, Part, PartName, Touch

# Who plays in which bar: the room that the band leaves for the student.

_KEEPS_TIME: tuple[PartName, ...] = ("drums", "click")  # who goes on where only time is kept

_OCTAVE, _TENTH = 12, 16  # semitones


def plays(chart: Chart, bar: Bar, part: PartName) -> bool:
    """Whether a part of the band plays in a bar: never in the count-in nor in a drop-out, else as
    `gaps` says."""
    if bar.role == "count-in" or chart.drops_out(bar):
        return False
    gaps = chart.drill.gaps
    if bar.role != "response" or gaps is None or gaps.band == "plays":
        return True
    return gaps.band == "time" and part in _KEEPS_TIME


def ceilings(chart: Chart, line: Part | None, least: int, high: int) -> dict[int, int]:
    """The highest MIDI key, by the number of the bar, that keeps a part below the line.

    A pass keeps below the line's lowest note, so that a response sounds as its call did; where
    that leaves less room than up to `least`, each bar keeps below its own notes; where not even
    that is possible the line lies among the part's own notes or under it, and `high` stays.
    """
    lowest: dict[int, int] = {}
    for note in line.notes if line is not None else ():
        number = chart.bar_at(note.start).number
        lowest[number] = min(lowest.get(number, high), note.pitch.midi - 1)
    found = {bar.number: high for bar in chart.bars}
    for bars in chart.passes():
        through = min((lowest.get(bar.number, high) for bar in bars), default=high)
        for bar in bars:
            top = through if through >= least else lowest.get(bar.number, high)
            found[bar.number] = top if top >= least else high
    return found


def bass_ceiling(chart: Chart, low: int, high: int) -> int:
    """The highest MIDI key of the band's bass that leaves the student's instrument its room.

    Where the line lies on an instrument of the bass's own register, the band's bass keeps to the
    lowest tenth of its range, enough for every root and fifth (common practice: who accompanies
    a bass solo stays low).  Under a voice of the harmony, which may come down to Eb2, a bass that
    does not walk has an octave, enough for every root.
    """
    line = chart.drill.line
    if line is None or line.sounding_range[0] > low + _OCTAVE:
        return high
    under = line.keeps_up and line.range is None and chart.drill.band.bass.kind != "walking"
    return min(high, low + (_OCTAVE - 1 if under else _TENTH))


def runs(chart: Chart, part: PartName) -> Iterator[tuple[Bar, ...]]:
    """Stretches of neighbouring bars of the form in which a part plays."""
    played = groupby(chart.bars, key=lambda bar: bar.form_bar >= 0 and plays(chart, bar, part))
    return (tuple(bars) for playing, bars in played if playing)


def after(chart: Chart, bar: Bar) -> Bar | None:
    """The next bar of the track."""
    return chart.bars[bar.number + 1] if bar.number + 1 < len(chart.bars) else None


def starts_pass(chart: Chart, bar: Bar) -> bool:
    before = chart.bars[bar.number - 1] if bar.number else None
    return bar.form_bar >= 0 and (before is None or before.pass_number != bar.pass_number)


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
    length = bar.length - min(chart.drill.meter.beat, bar.length / 2)
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
