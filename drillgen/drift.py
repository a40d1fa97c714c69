"""How players move around the tempo's grid, beat by beat.

Measured, and how it is used here.  JTD is the Jazz Trio Database (MIT): onsets of 17
piano trios, annotated by hand.

- A track's time has two layers: what single strokes vary, and slow correlated drift (Sogorski,
  Geisel & Priesemann, arXiv:1710.05608, on more than 100 recordings of jazz and rock; Hennig et
  al., PLoS ONE 6:e26457, 2011, whose listeners preferred correlated variation).  So each player has
  a jitter of his own, a drift of two time constants, and a place before or behind the drums; the
  band as a whole leans to and fro in waves whose lengths and phases are each track's own.
- Sizes by tempo, the bass's and the piano's place, the spread of the ride's ratio within a track
  and between tracks: JTD, by the tables below.
- Listeners prefer players less than 19 ms apart (Hofmann, Wesolowski & Goebl, JNMR 46:329, 2017): a
  mean.  In JTD two beats of five are further apart.

Whatever has a place of its own on the grid keeps it: the lean grows from nothing and goes back to
it, and there is none where a click goes on or where drop-outs test the student's time.  The line,
which a student imitates, varies least.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import exp, gcd, pi, sin, sqrt
from random import Random

from drillgen.chart import Chart
from drillgen.score import PartName

SHARES = {"loose": 1.0, "tight": 0.5}  # of all that is said here, by the drill's `timing`

# Milliseconds at 100 and at 280 beats a minute; between them on a straight line.
_SLOW, _FAST = 100.0, 280.0
Sizes = tuple[float, float]
_JITTER: Mapping[PartName, Sizes] = {  # one stroke's, standard deviation
    "drums": (16.0, 11.0),
    "bass": (13.0, 8.0),
    "comping": (14.0, 11.0),
    "line": (7.0, 5.0),
}
_DRIFT: Mapping[PartName, Sizes] = {  # standard deviation
    "drums": (8.0, 6.0),
    "bass": (13.5, 10.0),
    "comping": (17.0, 13.0),
    "line": (3.0, 2.0),
}
_WAVE: Sizes = (8.0, 6.0)  # of one wave of the common lean
_PLAYERS = tuple(_JITTER)

_OWN_SIZE = 0.13  # how much larger or smaller a track's sizes are: deviation of the logarithm
_CONSTANTS = (5.0, 25.0)  # beats in which a drift is forgotten: the quick part and the slow one
_QUICK = 0.85  # the quick part's share of the variance
_LISTENS = 0.03  # how far a player goes to the others' mean from one beat to the next
_GOES_ALONG = 0.7  # how far the line's player goes with the drums' drift
# The waves of the common lean: beats, about, and height against `_WAVE`.
_WAVES = ((9.0, 1.3), (13.0, 1.2), (19.0, 1.0), (28.0, 1.0), (42.0, 1.0), (63.0, 1.0), (95.0, 1.0))
_SETTLED = 8  # beats after the first and before the last in which the lean grows and fades
_TO_A_CLICK = 0.6  # of jitter and drift where a metronome is heard, or one's time is tested
_UNEVEN = 5.0  # ms: in a track 2 and 4 are early or late against 1 and 3, for everybody

_EXTREME = 2.5  # standard deviations: more is no player's
_EARLIEST = 45.0  # ms before the grid: a note of the next bar is never taken for one of this
_FARTHEST = 40.0  # ms from a player's own place
# … and where the comping swings otherwise than the ride, both together.  At any tempo, two
# players at one place are then less than an eighth of a second apart, and heard as one.
_FARTHEST_FROM_THE_RIDE = 55.0
_APART = 0.3  # of the time to the neighbouring place: the most that one stroke is off

# The time-keeping hand: an off-beat belongs to the beat that it leads into (JTD: the short note
# varies by 14.5 ms, no more than a beat does alone).
_INTO_NEXT, _FROM_LAST = 0.55, 0.2
_OFFBEAT: Sizes = (10.0, 11.5)  # ms: what is its own
_LOOSE_OFFBEAT = 0.03  # of a beat, deviation: the others' off-beats vary more where a beat is long

# Swing: how a track's ratio is spread around the measured line (its residual there is 0.48), how it
# wanders within a track (an eighth of its variance is slow) and from bar to bar.
RATIO = 0.48
FEELS_RATIO = 0.1  # where the feel itself is on the triplet
_WANDERS, _WANDER_CONSTANT, _BARS_DIFFER = 0.09, 20.0, 0.05
_HIGHEST = 3.0  # a track's own ratio
# The piano's off-beats swing less than the ride (JTD): bpm and ratio.
_COMPING_RATIO = ((100.0, 2.3), (140.0, 2.2), (210.0, 1.9), (270.0, 1.5), (330.0, 1.3))
_COMPING_OWN, _COMPING_FOLLOWS = 0.15, 0.4


def between(points: Sequence[tuple[float, float]], at: float) -> float:
    """A value on the straight lines between points; beyond their ends, the end's."""
    (left, low), *rest = points
    for right, high in rest:
        if at < right:
            return low + (high - low) * max(at - left, 0.0) / (right - left)
        left, low = right, high
    return low


def _size(sizes: Sizes, bpm: float) -> float:
    return between(((_SLOW, sizes[0]), (_FAST, sizes[1])), bpm)


@dataclass(frozen=True, slots=True)
class BeatPace:
    """What is asked of one beat: quarter notes a minute, its length in ms, the swing ratio."""

    bpm: float
    length: float
    ratio: float


@dataclass(frozen=True, slots=True)
class _Timekeeper:
    """One player through a track, ms by beat."""

    place: float
    drift: Sequence[float]
    beats: Sequence[float]  # jitter on the beat …
    halves: Sequence[float]  # … and on its second half


class Drift:
    """Where everybody is against the grid; the same place is always at the same time."""

    def __init__(self, chart: Chart, paces: Sequence[BeatPace], spread: float) -> None:
        """`paces`: of each beat of the track.  `spread`: standard deviation of the swing ratio from
        track to track."""
        drill = chart.drill
        self._paces = paces
        self._share = SHARES[drill.timing]
        self._tested = drill.band.click.plays or drill.drop_outs is not None
        self._name = f"{drill.luck} {chart.tempo} {','.join(map(str, chart.keys))}"
        self._bar = drill.meter.beats
        self._lean = self._uneven() if self._tested else self._leaning(chart)
        self._players = self._everybody()
        swings = _drawn(self._random("ratio")) * spread
        self._ride = self._swing(swings)
        self._comping = self._comped(swings) if spread == RATIO else self._ride

    def _random(self, what: str) -> Random:
        return Random(f"{self._name} {what}")

    def moved(self, part: PartName, beats: int, unit: int, delay: float, latest: float) -> float:
        """How far from the grid a part plays a place `beats`/`unit` beats from the start, ms.

        `delay`: what it is late besides.  `latest`: it is never later than that against the band.
        """
        number, into = divmod(beats, unit)
        number, into = (number, into) if number < len(self._paces) else (len(self._paces) - 1, 0)
        share = into / unit
        lean = self._lean[number] + share * (self._lean[number + 1] - self._lean[number])
        ride = self._swung("drums", number, into, unit)
        own = self._own(part, number, into, unit, ride) + delay
        return max(min(own, latest) + lean + ride, -_EARLIEST)

    def ratio(self, number: int) -> float:
        """How the ride swings on a beat, counted from the track's start."""
        number = min(number, len(self._paces) - 1)
        pace = self._paces[number]
        long = pace.length * pace.ratio / (pace.ratio + 1) + self._ride[number]
        return long / (pace.length - long)

    def _own(self, part: PartName, number: int, into: int, unit: int, ride: float) -> float:
        """Against the ride, which swings by so many ms."""
        player = self._players.get(part)
        if player is None:
            return 0.0
        share = into / unit
        drift = player.drift[number] + share * (player.drift[number + 1] - player.drift[number])
        own = _within(drift + self._jitter(player, number, into, unit), _FARTHEST)
        if part != "comping":
            return player.place + own
        own += self._swung(part, number, into, unit) - ride
        place = player.place * abs(1 - 2 * share)
        return place + _within(own, _FARTHEST_FROM_THE_RIDE)

    def _jitter(self, player: _Timekeeper, number: int, into: int, unit: int) -> float:
        """A stroke's own; between the halves of a beat, drawn from its neighbours'."""
        pace = self._paces[number]
        gap = pace.length / (max(pace.ratio, 1.0) + 1)
        if not into:
            found = player.beats[number]
        elif 2 * into == unit:
            found = player.halves[number]
        else:
            finer = unit // gcd(into, unit)
            gap *= 2 / max(finer, 3)
            near = player.beats[number + (2 * into > unit)]
            other = player.halves[(number * 7 + into * 31) % len(player.halves)]
            found = 0.5 * near + 0.8 * other
        most = _APART * gap
        return _within(found, most)

    def _swung(self, part: PartName, number: int, into: int, unit: int) -> float:
        """Nothing on the beat, all on its half; triplets are not swung."""
        if not into or self._paces[number].ratio <= 1:
            return 0.0
        finer = unit // gcd(into, unit)
        if finer & (finer - 1):
            return 0.0
        shift = (self._comping if part == "comping" else self._ride)[number]
        return shift * (1 - abs(1 - 2 * into / unit))

    # The band as a whole.

    def _leaning(self, chart: Chart) -> list[float]:
        random = self._random("lean")
        size = self._share * exp(random.gauss(0, 2 * _OWN_SIZE))
        waves = [
            (2 * pi / (beats * random.uniform(0.85, 1.2)), random.uniform(0, 2 * pi), height)
            for beats, height in _WAVES
        ]
        beat = chart.drill.meter.beat
        first = next((bar.start for bar in chart.bars if bar.form_bar >= 0), chart.end) // beat
        end = len(self._paces)

        def at(number: int) -> float:
            settled = min(max(min(number - first, end - number) / _SETTLED, 0.0), 1.0)
            if not settled:
                return 0.0
            wave = _size(_WAVE, self._paces[min(number, end - 1)].bpm)
            swell = sum(height * sin(rate * number + phase) for rate, phase, height in waves)
            return settled * size * wave * swell

        most = _EARLIEST * 0.75
        uneven = self._uneven()
        return [min(max(at(number), -most), most) + uneven[number] for number in range(end + 1)]

    def _uneven(self) -> list[float]:
        """By beat; in even meters 2 and 4 go one way and 1 and 3 the other."""
        random = self._random("uneven")
        size = random.uniform(0.6, 1.4) * random.choice((-1, -1, 1)) * _UNEVEN * self._share
        bar = [size if beat % 2 else -size for beat in range(self._bar)]
        if self._bar % 2:
            found = [random.gauss(0, 0.7 * abs(size)) for _ in bar]
            bar = [each - sum(found) / len(found) for each in found]
        return [bar[number % self._bar] for number in range(len(self._paces) + 1)]

    # Each player.

    def _everybody(self) -> dict[PartName, _Timekeeper]:
        found = zip(*self._drifting(), strict=True)
        drifts: dict[PartName, Sequence[float]] = dict(zip(_PLAYERS, found, strict=True))
        both = zip(drifts["line"], drifts["drums"], strict=True)
        drifts["line"] = [own + _GOES_ALONG * drums for own, drums in both]
        return {part: self._player(part, drifts[part]) for part in _PLAYERS}

    def _loose(self, random: Random) -> float:
        clicked = _TO_A_CLICK if self._tested else 1.0
        return self._share * clicked * exp(random.gauss(0, _OWN_SIZE))

    def _drifting(self) -> Iterator[tuple[float, ...]]:
        """Each player's drift, by beat: forgotten in time, and drawn to the others a little."""
        random = self._random("drift")
        keeps = [exp(-1 / beats) for beats in _CONSTANTS]
        parts = [sqrt(share) for share in (_QUICK, 1 - _QUICK)]
        new = [part * sqrt(1 - keep * keep) for part, keep in zip(parts, keeps, strict=True)]
        sizes = [self._loose(random) for _ in _PLAYERS]
        gauss = random.gauss
        quick = [parts[0] * gauss(0, 1) for _ in _PLAYERS]
        slow = [parts[1] * gauss(0, 1) for _ in _PLAYERS]
        for number in range(len(self._paces) + 1):
            bpm = self._paces[min(number, len(self._paces) - 1)].bpm
            here = [
                size * _size(_DRIFT[part], bpm) * (a + b)
                for part, size, a, b in zip(_PLAYERS, sizes, quick, slow, strict=True)
            ]
            yield tuple(here)
            mean = sum(quick) / len(quick)
            quick = [keeps[0] * a + _LISTENS * (mean - a) + new[0] * gauss(0, 1) for a in quick]
            slow = [keeps[1] * b + new[1] * gauss(0, 1) for b in slow]

    def _player(self, part: PartName, drift: Sequence[float]) -> _Timekeeper:
        random = self._random(f"time {part}")
        size = self._loose(random)
        place = self._share * self._place(part, random)
        sizes = [size * _size(_JITTER[part], pace.bpm) for pace in self._paces]
        beats = [each * _drawn(random) for each in (*sizes, sizes[-1])]
        halves = list(self._offbeats(part, random, size, beats))
        return _Timekeeper(place, drift, beats, halves)

    def _offbeats(
        self, part: PartName, random: Random, size: float, beats: Sequence[float]
    ) -> Iterator[float]:
        """Jitter of the second halves; `beats`: of the beats."""
        for number, pace in enumerate(self._paces):
            own = size * _size(_JITTER[part], pace.bpm)
            led = _INTO_NEXT * beats[number + 1] + _FROM_LAST * beats[number]
            if part == "drums":
                yield led + size * _size(_OFFBEAT, pace.bpm) * _drawn(random)
            else:
                more = _LOOSE_OFFBEAT * size * pace.length * (part != "line")
                yield 0.5 * led + sqrt(0.7 * own * own + more * more) * _drawn(random)

    def _place(self, part: PartName, random: Random) -> float:
        """ms behind the drums: JTD, of swing; half of it in straight time (common practice)."""
        share = 1.0 if self._paces[0].ratio > 1 else 1 / 2
        if part == "bass":
            return share * min(max(random.gauss(6.5, 6.5), -5.0), 18.0)
        return share * min(17 * exp(random.gauss(0, 0.5)), 29.0) if part == "comping" else 0.0

    # Swing, as ms by which a beat's second half is later than the drill's ratio has it.

    def _swing(self, swings: float) -> list[float]:
        """The ride's, which the band goes with: a track's own ratio, wandering within it."""
        random = self._random("swing")
        keep = exp(-1 / _WANDER_CONSTANT)
        new, slow, found = sqrt(1 - keep * keep), _drawn(random), []
        for first in range(0, len(self._paces), self._bar):
            bar = _BARS_DIFFER * _drawn(random)
            for pace in self._paces[first : first + self._bar]:
                slow = keep * slow + new * random.gauss(0, 1)
                ratio = _of_track(pace.ratio, swings) * exp(_WANDERS * slow + bar)
                found.append(self._share * _later(pace, ratio))
        return found

    def _comped(self, swings: float) -> list[float]:
        """The comping's own, which goes with the drummer's in part."""
        own = _COMPING_OWN * _drawn(self._random("comping swings")) + _COMPING_FOLLOWS * swings
        return [
            self._share * _later(pace, max(between(_COMPING_RATIO, pace.bpm) + own, 1.05))
            for pace in self._paces
        ]


def _within(value: float, most: float) -> float:
    return min(max(value, -most), most)


def _drawn(random: Random) -> float:
    """Of the normal distribution, without its extremes."""
    return _within(random.gauss(0.0, 1.0), _EXTREME)


def _of_track(ratio: float, swings: float) -> float:
    """A track's own ratio: never even, and above `_HIGHEST` only where that was asked for."""
    return min(max(ratio + swings, 1 + 0.4 * (ratio - 1)), max(_HIGHEST, ratio))


def _later(pace: BeatPace, ratio: float) -> float:
    """By how many ms another ratio has the second half later."""
    return pace.length * (ratio / (ratio + 1) - pace.ratio / (pace.ratio + 1))
