"""When what is written is played: swing, the soloist's and the bass's places, and small variation.

Published, and how it is used here (milliseconds; bpm counts quarter notes a minute):

- Soloists are late on downbeats by 95.68 - 0.2718 bpm and together with the drums on offbeats, so
  that their own ratio is smaller than the drummer's, 2.0483 - 0.0031 bpm; basses are late by
  31.242 - 0.057 bpm, weakly (A. Friberg's Director Musices rule source, KTH, after Friberg &
  Sundström, Music Perception 19:333, 2002).  Delays of 9 % of a quarter, 30 ms at 150 bpm, were
  enough to be rated as swinging (Nelias et al., Communications Physics, 2022): a line to imitate is
  later only where it would else swing more than triplets do, which soloists did not at medium
  tempos (Friberg & Sundström), and nowhere later than published.  It is late only where it plays
  swung eighths, as those who were measured did.
- Listeners prefer players less than 19 ms apart (Hofmann, Wesolowski & Goebl, JNMR 46:329, 2017).
  So the bass takes a fifth of its published delay, and each player's own variation is bounded.
- One player's time varies by 10 to 20 ms, less when fast.  Independent players varying so much
  would be too far apart, so most of it is common: the whole band leans slowly to and fro, by the
  least of the published range, and starts and ends on the grid.  It does not lean where a click
  goes on, nor where drop-outs test the student's time against the grid.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from math import pi, sin
from random import Random

from drillgen.band.feel import feel
from drillgen.chart import Bar, Chart
from drillgen.score import PartName, Score

# Swing: how long the first eighth note of a beat is against the second.
#
# Regression of drummers' ratios on tempo: 4.9396 - 0.0124 bpm, from A. Friberg's Director Musices
# rule source (KTH), after Friberg & Sundström, "Swing ratios and ensemble timing in jazz
# performance", Music Perception 19:333, 2002, who found up to 3.5:1 at slow tempos and towards 1:1
# at fast ones; beyond what was measured the line is not drawn on.

SLOWEST_RATIO, FASTEST_RATIO = 3.5, 1.0


def published_ratio(beats_a_minute: float) -> float:
    """The drummer's long:short ratio at a tempo in quarter notes a minute."""
    return min(max(4.9396 - 0.0124 * beats_a_minute, FASTEST_RATIO), SLOWEST_RATIO)


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
_Apart = Callable[[Fraction], float]  # … to milliseconds from the grid

_LATE = 0.09  # of a quarter
_TRIPLETS = 2.0  # their ratio
TOGETHER = 19.0  # ms: the players of the band are always less apart
_BASS_SHARE = 0.2
_OWN = 3.0  # ms, standard deviation of one player's place against the band's …
_OWN_BOUND = 6.0  # … and the most it comes to: twice it and the bass's delay stay below `TOGETHER`
_WAVES = (23, 59)  # beats: how long the band leans one way and the other
_SETTLED = 8  # beats after the first and before the last in which the lean grows and fades
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
        self.lean = _lean(chart, self.paces)


def exact_clock(chart: Chart) -> Clock:
    """Seconds of a written place, swung as the bar it stands in is."""
    return Together(chart).exact


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
    exact, lean = together.exact, together.lean
    if chart.drill.timing == "exact" or part in _UNMOVED:
        return exact
    delay, own = _delay(chart, part, together.paces, late), _own(chart, part)

    @cache
    def clock(place: Fraction) -> float:
        moved = delay(place) + own(place) + lean(place)
        return max(exact(place) + round(moved / 1000, 6), 0.0)

    return clock


def _exact(chart: Chart, paces: Sequence[Pace]) -> Clock:
    beat = chart.drill.meter.beat
    starts = [seconds.as_integer_ratio() for seconds in chart.bar_seconds]

    @cache
    def into(place: Fraction, pace: Pace) -> tuple[int, int]:
        """Seconds from a bar's start: bars of one tempo are alike, and each starts on a beat."""
        return (swung(place, beat, pace.exact_ratio) * pace.quarter).as_integer_ratio()

    @cache
    def clock(place: Fraction) -> float:
        """The sum of two fractions; a quotient of whole numbers is rounded once, as theirs is."""
        bar = chart.bar_at(place)
        (one, below), (other, under) = (
            starts[bar.number],
            into(place - bar.start, paces[bar.number]),
        )
        return (one * under + other * below) / (below * under)

    return clock


@cache
def soloist_delay(bpm: float, ratio: float) -> float:
    """How late the line is on a downbeat, ms, while the band swings by a ratio.

    Its offbeats stay with the band's, so that its own ratio is smaller: the published one of
    soloists, as far as `_LATE` leads there, and at most `_TRIPLETS`.  It is never later than
    published.
    """
    quarter = 60_000 / bpm
    short = quarter / (ratio + 1)

    def needed(own: float) -> float:
        return short * (ratio - own) / (own + 1)

    enough = max(min(needed(soloist_ratio(bpm)), _LATE * quarter), needed(_TRIPLETS))
    return max(min(enough, 95.68 - 0.2718 * bpm), 0.0)


def soloist_ratio(bpm: float) -> float:
    """The published swing ratio of soloists."""
    return max(2.0483 - 0.0031 * bpm, 1.0)


def bass_delay(bpm: float) -> float:
    """How late the bass is, ms."""
    return _BASS_SHARE * max(31.242 - 0.057 * bpm, 0.0)


def _delay(chart: Chart, part: PartName, paces: Sequence[Pace], late: AbstractSet[int]) -> _Apart:
    """How late a part is, ms.  The published delays belong to swing: straight feels have none."""
    line, beat = chart.drill.line, chart.drill.meter.beat

    def as_bass(place: Fraction) -> float:
        pace = paces[chart.bar_at(place).number]
        return bass_delay(pace.bpm) if pace.ratio > 1 else 0.0

    def as_soloist(place: Fraction) -> float:
        pace = paces[chart.bar_at(place).number]
        beats, unit = _in_beats(place, beat)
        number, into = divmod(beats, unit)
        if pace.ratio <= 1 or number not in late:
            return 0.0
        return soloist_delay(pace.bpm, pace.ratio) * (abs(unit - 2 * into) / unit)  # 0 off the beat

    if part == "bass" or (part == "line" and line is not None and line.is_bass):
        return as_bass
    return as_soloist if part == "line" else lambda place: 0.0


def _in_beats(place: Fraction, beat: Fraction) -> tuple[int, int]:
    """A place in beats, as a whole number of parts of a beat and how many of them make one."""
    above, below = place.as_integer_ratio()
    return above * beat.denominator, below * beat.numerator


def _own(chart: Chart, part: PartName) -> _Apart:
    """How far a player is from the band, ms."""
    random = Random(0)  # seeded anew at each place: quicker than a new one

    def own(place: Fraction) -> float:
        random.seed(f"{chart.drill.seed} time {part} {place}")
        return min(max(random.gauss(0.0, _OWN), -_OWN_BOUND), _OWN_BOUND)

    return own


def common_variation(bpm: float) -> float:
    """The standard deviation of the band's lean, ms: 12 at 60, 10 from 260 on."""
    return min(max(12.6 - bpm / 100, 10.0), 12.3)


def _lean(chart: Chart, paces: Sequence[Pace]) -> _Apart:
    """How far the band as a whole leans from the grid, ms."""
    drill = chart.drill
    if drill.band.click.plays or drill.drop_outs is not None:
        return lambda place: 0.0
    random = Random(f"{drill.seed} lean")
    phases = [(2 * pi / beats, random.uniform(0, 2 * pi)) for beats in _WAVES]
    beat = drill.meter.beat
    first = next((bar.start for bar in chart.bars if bar.form_bar >= 0), chart.end) // beat
    end = chart.end // beat

    @cache
    def lean(place: Fraction) -> float:
        beats, unit = _in_beats(place, beat)
        here, left = (beats - first * unit) / unit, (end * unit - beats) / unit
        settled = min(max(min(here, left) / _SETTLED, 0.0), 1.0)
        waves = sum(sin(rate * here + phase) for rate, phase in phases)
        return settled * common_variation(paces[chart.bar_at(place).number].bpm) * waves

    return lean


def _bpm(chart: Chart, bar: Bar) -> float:
    return float(bar.tempo * chart.drill.meter.beat)
