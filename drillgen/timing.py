"""When what is written is played: swing, and the soloist's place.

Published, and how it is used here (milliseconds; bpm counts quarter notes a minute):

- Soloists are late on downbeats by 95.68 - 0.2718 bpm and together with the drums on offbeats, so
  that their own ratio is smaller than the drummer's, 2.0483 - 0.0031 bpm (A. Friberg's Director
  Musices rule source, KTH, after Friberg & Sundström, Music Perception 19:333, 2002).  Delays of
  9 % of a quarter, 30 ms at 150 bpm, were enough to be rated as swinging (Nelias et al.,
  Communications Physics, 2022): a line to imitate is later only where it would else swing more than
  triplets do, which soloists did not at medium tempos (Friberg & Sundström), nowhere later than
  published, and never more than 30 ms, since students learn what they hear (common practice).  It
  is late only where it plays swung eighths, as those who were measured did.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from functools import cache
from math import inf

from quicktions import Fraction

from drillgen.band.feel import feel
from drillgen.chart import Bar, Chart
from drillgen.drift import FEELS_RATIO, RATIO, BeatPace, Drift, between
from drillgen.score import PartName, Score

# Swing: how long the first eighth note of a beat is against the second.
#
# Medians of tracks by tempo in the Jazz Trio Database (17 trios, onsets by hand), 2.23 at 100 to
# 140, 2.55, 2.07, 1.33 and 1.60 at 260 to 340, drawn towards the straight line through them, 2.84 -
# 0.0042 bpm, since each is of few tracks.  Friberg & Sundström's regression of drummers (Music
# Perception 19:333, 2002: 4.9396 - 0.0124 bpm by the KTH rule source, up to 3.5:1) lies above them
# below 220 bpm and meets them there.

RATIOS = ((60.0, 2.65), (120.0, 2.56), (160.0, 2.52), (180.0, 2.22), (200.0, 1.95), (240.0, 1.75),
          (300.0, 1.62), (360.0, 1.45))  # fmt: skip


def published_ratio(beats_a_minute: float) -> float:
    """The drummer's long:short ratio at a tempo in quarter notes a minute."""
    return between(RATIOS, beats_a_minute)


def swung(place: Fraction, beat: Fraction, ratio: Fraction) -> Fraction:
    """Where a written place (quarter notes) is played.

    The beat's halves are stretched to `ratio` : 1, and whatever divides them by two with them;
    triplets and other divisions are played as written.
    """
    beats, into = divmod(place, beat)
    part = into / beat
    if part.denominator & (part.denominator - 1):  # no power of two
        return place
    long = ratio / (ratio + 1)
    half = Fraction(1, 2)
    played = part * 2 * long if part <= half else long + (part - half) * 2 * (1 - long)
    return (beats + played) * beat


# Where the line is late like a soloist: on the beats of its swung eighths.
#
# The published delays were measured in soloists' lines of eighths, where the late
# beat and the offbeat that is with the drums make the soloist's own swing. A held note, a quarter
# or a triplet has no such offbeat beside it, and late it would only drag: it goes with the band. So
# does a note in unison with the band's bass, which would be heard twice.


def late_beats(score: Score) -> frozenset[int]:
    """The beats, counted from the track's start, that the line halves or that stand beside one."""
    line, bass = score.part("line"), score.part("bass")
    if line is None:
        return frozenset()
    beat = score.chart.drill.meter.beat
    halved = {note.start // beat for note in line.notes if note.start % beat == beat / 2}
    beside = {number + step for number in halved for step in (-1, 0, 1)}
    low = {(note.start, note.pitch.midi) for note in (bass.notes if bass else ())}
    shared = {n.start // beat for n in line.notes if (n.start, n.pitch.midi) in low}
    return frozenset(beside - shared)


Clock = Callable[[Fraction], float]  # a written place in quarter notes to seconds

_LATE = 0.09  # of a quarter
_LATEST = 30.0  # ms
_TRIPLETS = 2.0  # their ratio
_UNMOVED: tuple[PartName, ...] = ("click", "cue")


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


@dataclass(frozen=True, slots=True, eq=False)
class Pace:
    """How fast bars of one tempo are and how they swing; compared by identity, which is quick."""

    bpm: float  # quarter notes a minute
    quarter: Fraction  # seconds
    ratio: float  # of swing
    exact_ratio: Fraction

    @classmethod
    def of(cls, chart: Chart, bar: Bar) -> Pace:
        ratio = ratio_in(chart, bar)
        exact = Fraction(ratio).limit_denominator(1000)
        return cls(_bpm(chart, bar), chart.seconds_a_quarter(bar), ratio, exact)


class Together:
    """The time that the parts of a track have in common: each place is worked out once for all."""

    def __init__(self, chart: Chart) -> None:
        bars = {bar.tempo: bar for bar in chart.bars}
        found = {tempo: Pace.of(chart, bar) for tempo, bar in bars.items()}
        self.paces = tuple(found[bar.tempo] for bar in chart.bars)
        self.exact = _exact(chart, self.paces)
        self.drift = None if chart.drill.timing == "exact" else _drift(chart, self.paces)


def _drift(chart: Chart, paces: Sequence[Pace]) -> Drift:
    drill = chart.drill
    beats = {
        id(pace): BeatPace(pace.bpm, float(pace.quarter * drill.meter.beat) * 1000, pace.ratio)
        for pace in paces
    }
    of_beats = [beats[id(pace)] for pace in paces for _ in range(drill.meter.beats)]
    swing = feel(drill.feel, drill.meter).swing
    spread = RATIO if swing == "published" else FEELS_RATIO
    return Drift(chart, of_beats, spread if drill.swing is None else 0.0)


def clock_of(
    chart: Chart,
    part: PartName,
    together: Together | None = None,
    late: AbstractSet[int] = frozenset(),
) -> Clock:
    """Seconds at which a part plays a written place; the same place always at the same time.

    `late` are the beats of the track on which the line plays as soloists do (`late_beats`).
    """
    together = together or Together(chart)
    exact, drift, paces = together.exact, together.drift, together.paces
    if drift is None or part in _UNMOVED:
        return exact
    line, beat = chart.drill.line, chart.drill.meter.beat
    soloist = part == "line" and not (line is not None and line.is_bass)
    latest = _LATEST if part == "line" else inf

    @cache
    def clock(place: Fraction) -> float:
        beats, unit = _in_beats(place, beat)
        delay = 0.0
        if soloist and beats // unit in late:
            bpm, ratio = paces[chart.bar_at(place).number].bpm, drift.ratio(beats // unit)
            delay = _as_soloist(bpm, ratio, beats % unit / unit)
        moved = drift.moved(part, beats, unit, delay, latest)
        return max(exact(place) + round(moved / 1000, 6), 0.0)

    return clock


def _exact(chart: Chart, paces: Sequence[Pace]) -> Clock:
    beat = chart.drill.meter.beat
    starts = [seconds.as_integer_ratio() for seconds in chart.bar_seconds]

    @cache
    def into(place: Fraction, pace: Pace, bar: Bar | None) -> tuple[int, int]:
        """Seconds from a bar's start: bars of one tempo are alike, and each starts on a beat;
        `bar` is one that slows."""
        even = swung(place, beat, pace.exact_ratio)
        seconds = even * pace.quarter if bar is None else chart.seconds_into(bar, even)
        return seconds.as_integer_ratio()

    @cache
    def clock(place: Fraction) -> float:
        """The sum of two fractions; a quotient of whole numbers is rounded once, as theirs is."""
        bar = chart.bar_at(place)
        (one, below), (other, under) = (
            starts[bar.number],
            into(place - bar.start, paces[bar.number], bar if bar.slowing else None),
        )
        return (one * under + other * below) / (below * under)

    return clock


@cache
def soloist_delay(bpm: float, ratio: float) -> float:
    """How late the line is on a downbeat, ms, while the band swings by a ratio.

    Its offbeats stay with the band's, so that its own ratio is smaller: the published one of
    soloists, as far as `_LATE` leads there, and at most `_TRIPLETS`.  It is never later than
    published, nor than `_LATEST`.
    """
    quarter = 60_000 / bpm
    short = quarter / (ratio + 1)

    def needed(own: float) -> float:
        return short * (ratio - own) / (own + 1)

    enough = max(min(needed(soloist_ratio(bpm)), _LATE * quarter), needed(_TRIPLETS))
    return max(min(enough, 95.68 - 0.2718 * bpm, _LATEST), 0.0)


def soloist_ratio(bpm: float) -> float:
    """The published swing ratio of soloists."""
    return max(2.0483 - 0.0031 * bpm, 1.0)


def _as_soloist(bpm: float, ratio: float, share: float) -> float:
    """The soloist's delay, ms, by how the ride swings there and how far into a beat: none on its
    half.  The published ones belong to swing: straight feels have none."""
    return soloist_delay(bpm, round(ratio, 2)) * abs(1 - 2 * share) if ratio > 1 else 0.0


def _in_beats(place: Fraction, beat: Fraction) -> tuple[int, int]:
    """A place in beats, as a whole number of parts of a beat and how many of them make one."""
    above, below = place.as_integer_ratio()
    return above * beat.denominator, below * beat.numerator


def _bpm(chart: Chart, bar: Bar) -> float:
    return float(bar.tempo * chart.drill.meter.beat)
