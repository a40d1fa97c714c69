"""When what is written is played: swing, the soloist's and the bass's places, and small variation.

Published, and how it is used here (milliseconds; bpm counts quarter notes a minute):

- Soloists are late on downbeats by 95.68 - 0.2718 bpm and together with the drums on offbeats, so
  that their own ratio is smaller than the drummer's, 2.0483 - 0.0031 bpm; basses are late by
  31.242 - 0.057 bpm, weakly (A. Friberg's Director Musices rule source, KTH, after Friberg &
  Sundström, Music Perception 19:333, 2002).  Delays of about 30 ms at 150 bpm were enough to be
  rated as swinging (Nelias et al., Communications Physics, 2022): a line to imitate is never later.
- Listeners prefer players less than 19 ms apart (Hofmann, Wesolowski & Goebl, JNMR 46:329, 2017).
  So the bass takes a fifth of its published delay, and each player's own variation is bounded.
- One player's time varies by 10 to 20 ms, less when fast.  Independent players varying so much
  would be too far apart, so most of it is common: the whole band leans slowly to and fro, by the
  least of the published range, and starts and ends on the grid.  It does not lean where a click
  goes on, nor where drop-outs test the student's time against the grid.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from functools import cache
from math import pi, sin
from random import Random

from drillgen.band.feel import feel
from drillgen.chart import Bar, Chart
from drillgen.score import PartName
from drillgen.swing import published_ratio, swung

Clock = Callable[[Fraction], float]  # a written place in quarter notes to seconds

LATEST = 30.0  # ms
TOGETHER = 19.0  # ms: the players of the band are always less apart
_BASS_SHARE = 0.2
_OWN = 3.0  # ms, standard deviation of one player's place against the band's …
_OWN_BOUND = 6.0  # … and the most it comes to: twice it and the bass's delay stay below `TOGETHER`
_WAVES = (23, 59)  # beats: how long the band leans one way and the other
_SETTLED = 8  # beats after the first and before the last in which the lean grows and fades
_UNMOVED: tuple[PartName, ...] = ("click", "cue")
_BASS_LINES = ("walking", "roots")  # lines that stand in for the band's bass


def ratio_in(chart: Chart, bar: Bar) -> float:
    """The band's swing ratio in a bar: the drill's own, the feel's own, or the published one for
    the tempo."""
    drill = chart.drill
    if drill.swing is not None:
        return drill.swing
    swing = feel(drill.feel, drill.meter).swing
    if isinstance(swing, float):
        return swing
    return published_ratio(_bpm(chart, bar)) if swing == "published" else 1.0


def exact_clock(chart: Chart) -> Clock:
    """Seconds of a written place, swung as the bar it stands in is."""

    @cache
    def clock(place: Fraction) -> float:
        ratio = Fraction(ratio_in(chart, chart.bar_at(place))).limit_denominator(1000)
        return chart.seconds_at(swung(place, chart.drill.meter.beat, ratio))

    return clock


def clock_of(chart: Chart, part: PartName) -> Clock:
    """Seconds at which a part plays a written place; the same place always at the same time."""
    exact = exact_clock(chart)
    if chart.drill.timing == "exact" or part in _UNMOVED:
        return exact
    lean = _lean(chart)

    @cache
    def clock(place: Fraction) -> float:
        bar = chart.bar_at(place)
        moved = _delay(chart, part, bar, place) + _own(chart, part, place) + lean(bar, place)
        return max(exact(place) + round(moved / 1000, 6), 0.0)

    return clock


def soloist_delay(bpm: float, ratio: float) -> float:
    """How late the line is on a downbeat, ms, while the band swings by a ratio.

    As late as gives it the soloist's ratio, its offbeats staying with the band's; never later than
    published, nor than `LATEST`.
    """
    short = 60_000 / bpm / (ratio + 1)
    own = soloist_ratio(bpm)
    needed = short * (ratio - own) / (own + 1)
    return max(min(needed, 95.68 - 0.2718 * bpm, LATEST), 0.0)


def soloist_ratio(bpm: float) -> float:
    """The published swing ratio of soloists."""
    return max(2.0483 - 0.0031 * bpm, 1.0)


def bass_delay(bpm: float) -> float:
    """How late the bass is, ms."""
    return _BASS_SHARE * max(31.242 - 0.057 * bpm, 0.0)


def _delay(chart: Chart, part: PartName, bar: Bar, place: Fraction) -> float:
    """The published delays belong to swing: straight feels have none."""
    if ratio_in(chart, bar) <= 1:
        return 0.0
    line = chart.drill.line
    if part == "bass" or (part == "line" and line is not None and line.kind in _BASS_LINES):
        return bass_delay(_bpm(chart, bar))
    if part != "line":
        return 0.0
    into = place % chart.drill.meter.beat / chart.drill.meter.beat
    late = soloist_delay(_bpm(chart, bar), ratio_in(chart, bar))
    return late * float(abs(1 - 2 * into))  # none on the offbeat


def _own(chart: Chart, part: PartName, place: Fraction) -> float:
    drawn = Random(f"{chart.drill.seed} time {part} {place}").gauss(0.0, _OWN)
    return min(max(drawn, -_OWN_BOUND), _OWN_BOUND)


def common_variation(bpm: float) -> float:
    """The standard deviation of the band's lean, ms: 12 at 60, 10 from 260 on."""
    return min(max(12.6 - bpm / 100, 10.0), 12.3)


def _lean(chart: Chart) -> Callable[[Bar, Fraction], float]:
    """How far the band as a whole leans from the grid, ms."""
    drill = chart.drill
    if drill.band.click.plays or drill.drop_outs is not None:
        return lambda bar, place: 0.0
    random = Random(f"{drill.seed} lean")
    phases = [(2 * pi / beats, random.uniform(0, 2 * pi)) for beats in _WAVES]
    first = next((bar.start for bar in chart.bars if bar.form_bar >= 0), chart.end)

    def lean(bar: Bar, place: Fraction) -> float:
        here, left = (place - first) / drill.meter.beat, (chart.end - place) / drill.meter.beat
        settled = min(max(float(min(here, left)) / _SETTLED, 0.0), 1.0)
        waves = sum(sin(rate * float(here) + phase) for rate, phase in phases)
        return settled * common_variation(_bpm(chart, bar)) * waves

    return lean


def _bpm(chart: Chart, bar: Bar) -> float:
    return float(bar.tempo * chart.drill.meter.beat)
