"""Can a classifier tell our tracks from real ones, as far as what is known of those goes?

Neither recorded lines nor tracks are at hand, only counts and ranges, so that the real side is
drawn from them: walking bass in windows of eight bars, each interval after the one before as the
counts have them (`walking_counts.json`), beside our lines as the same machine would have noted
them; and a track's figures of time, each from a normal distribution with the median and the 10 to
90 % that were measured, by itself.  A logistic regression (ridge, by Newton's method), trained on
half of the tracks and asked of the other half, gives the area under the curve: 0.5 cannot tell, 1.0
always can.

What it says is little more than the tables beside it: the drawn lines know neither chords nor
register, nor anything that lasts longer than three notes, and the drawn figures no correlation with
each other.  A low figure does not show that a listener, or a classifier with the recordings, could
not tell; a high one shows that the tables are not met.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from random import Random

import numpy as np

from benchmarks.musical.figure import Figure
from benchmarks.musical.machine_ear import WIDER, Array, errors
from benchmarks.musical.players import Track
from benchmarks.musical.real import TIMING
from benchmarks.musical.walking_counts import counted
from benchmarks.musical.walking_players import walked_in
from drillgen.score import Score

_WINDOW = 32  # notes: eight bars
_RIDGE, _STEPS = 1.0, 12
_NORMAL = 2.563  # standard deviations from the 10 to the 90 % point
# Figures that stay smaller on purpose, since bars and loops keep the tempo.
_ON_THE_GRID = ("tempo's range, 16-beat means, %", "tempo from the first quarter to the last, %")
_SIZES = (0, 1, 2, 4, 6, 7, WIDER)  # semitones: the widest of each class of intervals


def discriminated(scores: Sequence[Score], tracks: Sequence[Track]) -> Iterator[Figure]:
    """The area under the curve for walking bass and for time, 0.5 to 1."""
    ours = [_heard(score, number) for number, score in enumerate(scores)]
    real = [_drawn_line(number, max(len(each), 1)) for number, each in enumerate(ours)]
    source = "logistic regression; the real side drawn from counts and ranges"
    yield Figure("told from counts: walking bass, eight bars, AUC", _area(real, ours), None, source)
    kept = [name for name in TIMING if name not in _ON_THE_GRID]
    for names, what in ((kept, "without the two of tempo"), (list(TIMING), "all of its figures")):
        mine = [row for track in tracks if len(row := _figures(track, names))]
        drawn = [_drawn_figures(number, names) for number in range(len(mine))]
        yield Figure(f"told from ranges: time of a track, {what}, AUC", _area(drawn, mine), None,
                     source)  # fmt: skip


# Walking bass.


def _heard(score: Score, seed: int) -> Array:
    """The windows of a score's bass, misheard, as rows of features."""
    random, chances = Random(seed), list(errors())
    steps: list[int] = []
    for _, keys in walked_in(score):
        off = random.choices(range(-12, 13), chances, k=len(keys))
        noted = [key + error for key, error in zip(keys, off, strict=True)]
        steps += [max(-WIDER, min(WIDER, b - a)) for a, b in pairwise(noted)]
    return _windows(steps)


def _drawn_line(seed: int, windows: int) -> Array:
    random, table = np.random.default_rng(seed), counted()["after"][""]
    step, steps = int(random.choice(len(table), p=table.sum(1) / table.sum())), []
    for _ in range(windows * _WINDOW):
        row = table[step] if table[step].sum() else table.sum(0)
        step = int(random.choice(len(row), p=row / row.sum()))
        steps.append(step - WIDER)
    return _windows(steps)


def _windows(steps: Sequence[int]) -> Array:
    """(window, feature): sizes of intervals, sizes after sizes in thirds, turns, rise and fall."""
    starts = range(0, len(steps) - _WINDOW + 1, _WINDOW)
    return np.array([_features(np.array(steps[n : n + _WINDOW])) for n in starts])


def _features(steps: Array) -> Array:
    size = np.searchsorted(_SIZES, np.abs(steps))
    kind = np.searchsorted((0, 2, 4), np.abs(steps))
    pairs = np.bincount(kind[:-1] * 4 + kind[1:], minlength=16)
    turns = np.sum(steps[:-1] * steps[1:] < 0)
    return np.array([*np.bincount(size, minlength=len(_SIZES)), *pairs, turns, np.sum(steps > 0)])


# Time.


def _figures(track: Track, names: Sequence[str]) -> Array:
    """(1, figure); none where a figure of the track is unknown."""
    row = np.array([[track.figures.get(name, np.nan) for name in names]])
    known: Array = row[~np.isnan(row).any(axis=1)]
    return known


def _drawn_figures(seed: int, names: Sequence[str]) -> Array:
    random = np.random.default_rng(seed)
    return np.array(
        [[random.normal(r.median, (r.high - r.low) / _NORMAL) for r in map(TIMING.get, names) if r]]
    )


# The classifier.


def _area(real: Sequence[Array], ours: Sequence[Array]) -> float:
    """Of two halves of the tracks each is asked after training on the other; the mean area."""
    found = []
    for asked in (0, 1):
        halves = [
            [np.concatenate([t for n, t in enumerate(side) if len(t) and (n % 2 == asked) is own])
             for side in (real, ours)]
            for own in (False, True)
        ]  # fmt: skip
        found.append(_ranked(_trained(*halves[0]), *halves[1]))
    return float(np.mean(found))


def _trained(real: Array, ours: Array) -> tuple[Array, Array, Array]:
    """Weights, and the mean and spread that features are measured by."""
    both = np.concatenate([real, ours])
    mean, spread = both.mean(axis=0), both.std(axis=0) + 1e-9
    x = np.column_stack([np.ones(len(both)), (both - mean) / spread])
    y = np.repeat((0.0, 1.0), (len(real), len(ours)))
    weights, ridge = np.zeros(x.shape[1]), _RIDGE * np.eye(x.shape[1])
    for _ in range(_STEPS):
        p = 1 / (1 + np.exp(-np.clip(x @ weights, -30, 30)))
        slope = x.T @ (p - y) + ridge @ weights
        weights = weights - np.linalg.solve((x.T * (p * (1 - p))) @ x + ridge, slope)
    return weights, mean, spread


def _ranked(trained: tuple[Array, Array, Array], real: Array, ours: Array) -> float:
    """How often one of ours is scored above a real one: the area under the curve."""
    weights, mean, spread = trained
    low, high = (weights[0] + (side - mean) / spread @ weights[1:] for side in (real, ours))
    above = (high[:, None] > low[None, :]).mean()
    return float(above + (high[:, None] == low[None, :]).mean() / 2)
