"""Drums: the feel's layers bar by bar, comments now and then, fills into what comes next.

A fill never falls into a call: it leads from a response, or from a bar of play throughout, into a
new pass or section (common practice, and the student must hear the call undisturbed).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from random import Random

from drillgen.band.feel import DrumBook, Layer, feel
from drillgen.band.patterns import strokes
from drillgen.band.percussion import KEYS
from drillgen.band.room import after, ends_pass, plays, starts_pass
from drillgen.chart import Bar, Chart
from drillgen.score import Hit, Part

_FILL_LEVEL = -4.0  # dB: a fill in a practice band stays under the line
_FOOT = ("pedal hi-hat", "bass drum")  # the feet go on under a fill
_STROKE = Fraction(1, 4)  # quarter notes; drums ring by themselves
_FILL_AT_SECTION = 0.6  # how often a section within a pass gets one


def drums(chart: Chart) -> Part | None:
    """The drum part of a track; None where the drummer is off."""
    tools = chart.drill.band.drums.kind
    if tools == "off":
        return None
    book = feel(chart.drill.feel, chart.drill.meter).drums[tools]
    random = Random(f"{chart.drill.seed} drums")
    hits = [hit for bar in chart.bars for hit in _bar(chart, bar, book, random)]
    return Part(
        "drums", f"{book.kit} kit", hits=tuple(sorted(hits, key=lambda h: (h.start, h.key)))
    )


def _bar(chart: Chart, bar: Bar, book: DrumBook, random: Random) -> list[Hit]:
    if not plays(chart, bar, "drums"):
        return []
    if bar.role == "ending":
        return _ending(chart, bar, book)
    timekeeping = (
        bar.role == "response"
        and chart.drill.gaps is not None
        and (chart.drill.gaps.band == "time")
    )
    density = 0.0 if timekeeping else chart.drill.band.drums.density
    hits = [
        hit
        for layer in book.layers
        if _plays_now(layer, density, random)
        for hit in _layer(chart, bar, layer, random)
    ]
    if starts_pass(chart, bar):
        hits = _opened(bar, hits, book)
    if not timekeeping and _wants_fill(chart, bar, random):
        hits = _filled(chart, bar, hits, random.choice(book.fills))
    return hits


def _plays_now(layer: Layer, density: float, random: Random) -> bool:
    return not layer.comment or random.random() < density / 2


def _layer(chart: Chart, bar: Bar, layer: Layer, random: Random) -> Iterator[Hit]:
    pattern = layer.choices.draw(random)
    for stroke in strokes(pattern, chart.drill.meter):
        length = _STROKE
        if stroke.touch == "held":  # a brush's sweep lasts until the next one
            length = chart.drill.meter.beat * 2
        yield Hit(bar.start + stroke.place, KEYS[layer.sound], stroke.touch, layer.level, length)


def _opened(bar: Bar, hits: list[Hit], book: DrumBook) -> list[Hit]:
    """A light cymbal where a pass begins, in place of the ride's stroke."""
    sound, level = book.opening
    kept = [hit for hit in hits if hit.start > bar.start or hit.key != KEYS["ride cymbal"]]
    return [*kept, Hit(bar.start, KEYS[sound], "normal", level)]


def _wants_fill(chart: Chart, bar: Bar, random: Random) -> bool:
    if bar.role == "call":
        return False
    following = after(chart, bar)
    if ends_pass(chart, bar):
        return True
    section = following is not None and following.starts_section
    return section and random.random() < _FILL_AT_SECTION


def _filled(chart: Chart, bar: Bar, hits: list[Hit], fill: Mapping[str, str]) -> list[Hit]:
    """The fill, with the hands' own strokes dropped from where it begins."""
    added = [
        Hit(bar.start + stroke.place, KEYS[sound], stroke.touch, _FILL_LEVEL)
        for sound, pattern in fill.items()
        for stroke in strokes(pattern, chart.drill.meter)
    ]
    begins = min(hit.start for hit in added)
    feet = {KEYS[sound] for sound in _FOOT}
    taken = {(hit.start, hit.key) for hit in added}
    kept = [
        hit
        for hit in hits
        if (hit.start < begins or hit.key in feet) and (hit.start, hit.key) not in taken
    ]
    return kept + added


def _ending(chart: Chart, bar: Bar, book: DrumBook) -> list[Hit]:
    """One stroke with a cymbal that rings."""
    before = chart.bars[bar.number - 1]
    if before.role == "ending":
        return []
    sound, level = book.opening
    return [
        Hit(bar.start, KEYS[sound], "normal", level),
        Hit(bar.start, KEYS["bass drum"], "normal", level),
    ]
