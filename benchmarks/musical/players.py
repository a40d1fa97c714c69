"""How our players play, by the statistics that real ones were measured by (`real.py`)."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchmarks.musical.accompaniment import ROOTS, of_track
from benchmarks.musical.real import BANDS
from drillgen.band.feel import KEYS
from drillgen.performance import Performance, perform
from drillgen.score import Score

Numbers = NDArray[np.float64]
_NEAR = 0.2  # of a beat: an onset belongs to a beat this near
_ROLLED = 30.0  # ms: notes of one chord follow one another so closely, of which the first counts
_SNARE, _BASS_DRUM = KEYS["snare"], KEYS["bass drum"]
_LOUD = {KEYS["low tom"], KEYS["high tom"], KEYS["crash cymbal"]}
_HANDS = ("ride cymbal", "closed hi-hat", "brush tap")  # which keeps time in a feel


@dataclass(slots=True)
class Track:
    """One performance: beats in ms, and what each player has on and between them."""

    bpm: float
    beats_a_bar: int
    grid: Numbers  # where the tempo puts each beat of the form, ms
    first: Mapping[str, Numbers]  # by player, the onset at each beat, ms; NaN: none
    between: Mapping[str, list[tuple[int, float]]]  # (beat, onset in ms) of swung second halves
    hits: list[tuple[int, float, int, int]]  # bar, beat in it, key, velocity
    hand: int = KEYS["ride cymbal"]
    figures: dict[str, float] = field(default_factory=dict)


def track(score: Score) -> Track:
    """A score played, and read beat by beat."""
    chart, played = score.chart, perform(score)
    beat = chart.drill.meter.beat
    bars = [bar for bar in chart.bars if bar.form_bar >= 0]
    each = range(chart.drill.meter.beats)
    places = [bar.start + beat * number for bar in bars for number in each]
    grid = np.array([chart.seconds_at(place) * 1000 for place in places])
    length = float(np.diff(grid).mean())
    hand = _hand(played)
    first: dict[str, Numbers] = {}
    between: dict[str, list[tuple[int, float]]] = {}
    for voice in played.voices:
        onsets = np.unique([note.start * 1000 for note in voice.notes])
        if voice.part == "comping":
            onsets = onsets[np.diff(onsets, prepend=-np.inf) > _ROLLED]
        first[voice.part] = _nearest(onsets, grid, _NEAR * length)
        if voice.part == "drums":
            onsets = np.unique([n.start * 1000 for n in voice.notes if n.key == hand])
            first["hand"] = _nearest(onsets, grid, _NEAR * length)
            between["hand"] = list(_second_halves(onsets, first["hand"], length))
        elif voice.part == "comping":
            between["comping"] = list(_second_halves(onsets, first["drums"], length))
    hits = list(_hits(score, played))
    found = Track(60_000 / length, len(each), grid, first, between, hits, hand)
    found.figures = dict(_figures(found)) | dict(of_track(score))
    return found


def _hand(played: Performance) -> int:
    drums = next(voice for voice in played.voices if voice.part == "drums")
    counts = Counter(note.key for note in drums.notes)
    return max((KEYS[name] for name in _HANDS), key=lambda key: counts[key])


def _nearest(onsets: Numbers, grid: Numbers, near: float) -> Numbers:
    if not len(onsets):
        return np.full(len(grid), np.nan)
    at = np.clip(np.searchsorted(onsets, grid), 1, max(len(onsets) - 1, 1))
    before, after = onsets[at - 1], onsets[np.minimum(at, len(onsets) - 1)]
    found = np.where(np.abs(before - grid) < np.abs(after - grid), before, after)
    return np.where(np.abs(found - grid) <= near, found, np.nan)


def _second_halves(onsets: Numbers, beats: Numbers, length: float) -> Iterator[tuple[int, float]]:
    """The one onset between two played beats, where it is none of a triplet's first two."""
    for number, (one, two) in enumerate(pairwise(beats)):
        if np.isnan(one) or np.isnan(two):
            continue
        inside = onsets[(onsets > one + 0.15 * length) & (onsets < two - 0.1 * length)]
        if len(inside) == 1 and (inside[0] - one) / (two - one) > 0.42:
            yield number, float(inside[0])


def _hits(score: Score, played: Performance) -> Iterator[tuple[int, float, int, int]]:
    """Each stroke of the kit with the bar and place that it is written at; two that fall on one
    moment were played as one."""
    part = score.part("drums")
    voice = next(voice for voice in played.voices if voice.part == "drums")
    assert part is not None
    beat = score.chart.drill.meter.beat
    places: dict[tuple[int, int], list[float]] = defaultdict(list)
    for hit in sorted(part.hits, key=lambda hit: hit.start):
        bar = score.chart.bar_at(hit.start)
        if bar.form_bar >= 0:
            places[bar.number, hit.key].append(float((hit.start - bar.start) / beat))
    notes: dict[tuple[int, int], list[int]] = defaultdict(list)
    for note in voice.notes:
        notes[note.bar, note.key].append(note.velocity)
    for (number, key), found in places.items():
        for place, velocity in zip(found, notes[number, key], strict=False):
            yield number, place, key, velocity


def _figures(one: Track) -> Iterator[tuple[str, float]]:
    yield from _swing(one)
    if "bass" in one.first:
        yield from _together(one)
    yield from _drummers_time(one)
    yield from _touch(one)
    yield from _kit(one)


# Swing.


def _swing(one: Track) -> Iterator[tuple[str, float]]:
    hand = one.first["hand"]
    rows = [(at - hand[n], hand[n + 1] - at) for n, at in one.between["hand"]]
    if len(rows) > 12:
        long, short = np.array(rows).T
        ratios = long / short
        low, high = np.quantile(ratios, (0.25, 0.75))
        yield "ratio", float(np.median(ratios))
        yield "short", float(short.std())
        yield "spread of the ratio within a track", float((high - low) / np.median(ratios))
        yield "slow drift's share of the ratio's variance", _slow_share(ratios)
    length = 60_000 / one.bpm
    places = [(at - one.first["drums"][n]) / length for n, at in one.between.get("comping", ())]
    if len(places) > 8:
        middle = float(np.median(places))
        yield "piano's ratio", middle / (1 - middle)
        yield "sd of the piano's off-beats, share of a beat", float(np.std(places))


def _slow_share(values: Numbers, window: int = 16) -> float:
    """Variance of means of a window beyond what white noise leaves, as a share of all."""
    clipped = np.clip(values, *np.quantile(values, (0.02, 0.98)))
    means = [part.mean() for part in np.array_split(clipped, max(len(clipped) // window, 1))]
    if len(means) < 3:
        return 0.0
    return float(max(np.var(means) / clipped.var() - 1 / window, 0.0))


# Time.


def _together(one: Track) -> Iterator[tuple[str, float]]:
    apart = one.first["bass"] - one.first["drums"]
    known = apart[~np.isnan(apart)]
    if len(known) < 64:
        return
    yield "bass minus drums: median, ms", float(np.median(known))
    yield "bass minus drums: sd within a track, ms", float(known.std())
    yield "bass minus drums: more than 19 ms apart, %", float((np.abs(known) > 19).mean() * 100)
    yield "bass minus drums: more than 35 ms apart, %", float((np.abs(known) > 35).mean() * 100)
    for lag in (1, 2, 4):
        yield f"bass minus drums: autocorrelation at {lag}", correlation(apart, lag)
    yield "bass minus drums: spectral slope", _slope(known)
    means = [part.mean() for part in np.array_split(known, len(known) // 32)]
    yield "bass minus drums: sd of 32-beat means, ms", float(np.std(means))
    piano = one.first["comping"] - one.first["drums"]
    piano = piano[~np.isnan(piano)]
    if len(piano) > 20:
        yield "piano minus drums: median, ms", float(np.median(piano))
        yield "piano minus drums: sd within a track, ms", float(piano.std())
    for part, name in (("drums", "drums"), ("bass", "bass"), ("comping", "piano")):
        yield f"local jitter of the {name}, ms", jitter(one.first[part] - one.grid)


def correlation(values: Numbers, lag: int) -> float:
    """Autocorrelation over gaps."""
    centred = values - np.nanmean(values)
    product = centred[lag:] * centred[:-lag]
    if np.isnan(product).all():
        return np.nan
    return float(np.nanmean(product) / np.nanmean(centred**2))


def jitter(values: Numbers) -> float:
    """Deviation from the mean of both neighbours, scaled so that white noise has its own."""
    around = values[1:-1] - (values[2:] + values[:-2]) / 2
    known = around[~np.isnan(around)]
    if len(known) < 12:
        known = np.diff(values[~np.isnan(values)])
        return float(known.std() / np.sqrt(2)) if len(known) > 8 else np.nan
    return float(known.std() / np.sqrt(1.5))


def _slope(values: Numbers) -> float:
    """Minus the slope of the power spectrum on logarithmic axes: 0 white, 1 for 1/f."""
    power = np.abs(np.fft.rfft(values - values.mean()))[1:-1] ** 2
    frequency = np.arange(1, len(power) + 1)
    return float(-np.polyfit(np.log(frequency), np.log(power), 1)[0])


def _drummers_time(one: Track) -> Iterator[tuple[str, float]]:
    drums = one.first["drums"]
    lengths = np.diff(drums)
    for lag in (1, 2):
        yield f"drums' beat lengths: autocorrelation at {lag}", correlation(lengths, lag)
    wander = [_from_line(drums[n : n + 32]) for n in range(0, len(drums) - 31, 32)]
    if wander:
        yield "wandering within 32 beats, ms", float(np.nanmedian(wander))
    if len(drums) > 64:
        spans = drums[16::4] - drums[:-16:4]
        tempos = 16 / spans[~np.isnan(spans)]
        low, high = np.quantile(tempos, (0.05, 0.95))
        yield "tempo's range, 16-beat means, %", float(100 * (high - low) / np.median(tempos))
        quarter = len(drums) // 4
        first, last = (np.nanmean(np.diff(each)) for each in (drums[:quarter], drums[-quarter:]))
        yield "tempo from the first quarter to the last, %", float(100 * abs(first / last - 1))


def _from_line(times: Numbers) -> float:
    at = np.flatnonzero(~np.isnan(times))
    if len(at) < 24:
        return np.nan
    return float((times[at] - np.polyval(np.polyfit(at, times[at], 1), at)).std())


# Touch.


def _touch(one: Track) -> Iterator[tuple[str, float]]:
    hand = [hit for hit in one.hits if hit[2] == one.hand]
    on = [hit for hit in hand if hit[1] % 1 == 0]
    off = [hit for hit in hand if hit[1] % 1]
    bars = len({hit[0] for hit in one.hits}) or 1
    yield "ride strokes a bar", len(hand) / bars
    yield (
        "beats with a skip note",
        len({(b, int(p)) for b, p, *_ in off}) / (bars * one.beats_a_bar),
    )
    strong, weak = ([v for _, p, _, v in on if p % 2 == odd] for odd in (1, 0))
    if strong and weak:
        yield "velocity on 2 and 4 over 1 and 3", float(np.mean(strong) / np.mean(weak))
    if off and on:
        skip = np.mean([v for *_, v in off]) / np.mean([v for *_, v in on])
        yield "velocity of a skip note over an on-beat stroke", float(skip)
    places = {"ride": on, "skip note": off}
    for name, key in (
        ("foot hi-hat", KEYS["pedal hi-hat"]),
        ("bass drum", _BASS_DRUM),
        ("snare", _SNARE),
    ):
        places[name] = [hit for hit in one.hits if hit[2] == key]
    for name, hits in places.items():
        spread = _in_one_place(hits)
        if spread is not None:
            yield f"sd of velocity in one place: {name}", spread
    yield "neighbours' deviations correlate", _alike(hand)


def _by_place(hits: Iterable[tuple[int, float, int, int]]) -> Iterator[list[int]]:
    found: dict[float, list[int]] = defaultdict(list)
    for _, place, _, velocity in hits:
        found[place].append(velocity)
    return (each for each in found.values() if len(each) >= 6)


def _in_one_place(hits: Iterable[tuple[int, float, int, int]]) -> float | None:
    """The standard deviation as a share of the mean; places by how often they are struck."""
    found = [(len(each), np.std(each) / np.mean(each)) for each in _by_place(hits)]
    if not found:
        return None
    return float(sum(n * sd for n, sd in found) / sum(n for n, _ in found))


def _alike(hits: list[tuple[int, float, int, int]]) -> float:
    means: dict[float, list[int]] = defaultdict(list)
    for _, place, _, velocity in hits:
        means[place].append(velocity)
    known = {place: float(np.mean(each)) for place, each in means.items()}
    rest = np.array([v - known[p] for _, p, _, v in sorted(hits)])
    return correlation(rest, 1) if len(rest) > 8 else 0.0


# The kit.


def _kit(one: Track) -> Iterator[tuple[str, float]]:
    numbers = sorted({hit[0] for hit in one.hits})
    bars = len(numbers) or 1
    snare = [hit[3] for hit in one.hits if hit[2] == _SNARE]
    yield "snare strokes a bar", len(snare) / bars
    if len(snare) > 10 and one.hand != _SNARE:
        low, high = np.quantile(snare, (0.1, 0.9))
        yield "snare: 10 to 90 % of velocities apart", float(high - low)
    yield "bass drum strokes a bar", sum(hit[2] == _BASS_DRUM for hit in one.hits) / bars
    yield "toms and crashes a bar", sum(hit[2] in _LOUD for hit in one.hits) / bars
    shapes: dict[int, set[tuple[float, int]]] = defaultdict(set)
    for bar, place, key, _ in one.hits:
        shapes[bar].add((place, key))
    found = [frozenset(shapes[number]) for number in numbers]
    windows = [Counter(found[n : n + 32]) for n in range(max(len(found) - 31, 1))]
    yield "different bars of the kit in 32", float(min(len(each) for each in windows))
    yield "a bar of the kit in 32 at most", float(max(max(each.values()) for each in windows))


Spread = tuple[float, float, float]  # 10 %, median, 90 % of tracks


def summary(tracks: list[Track]) -> dict[str, Spread]:
    """Each figure over tracks; swing by tempo."""
    found: dict[str, list[float]] = defaultdict(list)
    for one in tracks:
        for name, value in (*one.figures.items(), *_at_tempo(one)):
            if not np.isnan(value):
                found[name].append(value)
    rows = {name: _spread(values) for name, values in found.items()}
    rows |= {name: (value, value, value) for name, value in _line_of_ratios(tracks)}
    worst = "a bar of the kit in 32 at most"
    least = min(found[ROOTS])
    return rows | {
        worst: (1.0, max(found[worst]), max(found[worst])),
        ROOTS.replace(" sounded", " sounded, the least track"): (least, least, 100.0),
    }


def _spread(values: list[float]) -> Spread:
    low, middle, high = np.quantile(values, (0.1, 0.5, 0.9))
    return float(low), float(middle), float(high)


def _at_tempo(one: Track) -> Iterator[tuple[str, float]]:
    for low, high in BANDS:
        if low <= one.bpm < high and "ratio" in one.figures:
            yield f"ride ratio at {low} to {high}", one.figures["ratio"]
            yield f"sd of the short note at {low} to {high}, ms", one.figures["short"]
    for low, high in ((100, 180), (180, 240), (240, 300)):
        if low <= one.bpm < high and "piano's ratio" in one.figures:
            yield f"piano's off-beat ratio at {low} to {high}", one.figures["piano's ratio"]
    for name in ("bass minus drums: sd within a track, ms", "local jitter of the bass, ms"):
        for at in (100, 280):
            if abs(one.bpm - at) <= 20 and name in one.figures:
                label = name.replace(" within a track", "").removesuffix(", ms")
                yield f"{label} at {at} bpm, ms", one.figures[name]


def _line_of_ratios(tracks: list[Track]) -> Iterator[tuple[str, float]]:
    rows = [(one.bpm, one.figures["ratio"]) for one in tracks if "ratio" in one.figures]
    if len({bpm for bpm, _ in rows}) < 4:
        return
    bpm, ratio = np.array(rows).T
    line = np.polyfit(bpm, ratio, 1)
    yield "slope of the line through the ratios, per 100 bpm", float(100 * line[0])
    yield "residual of the ratios from that line", float((ratio - np.polyval(line, bpm)).std())
