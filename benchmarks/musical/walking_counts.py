"""Walking lines counted as `data/walking_counts.json` counts recorded ones, and how far apart.

The counts come from bass lines under 23 solos in four of the Weimar Jazz Database (ODbL 1.0).  A
row of a table is compared by itself and weighed by how much of it was counted, so that the forms
played do not matter.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.musical.machine_ear import WIDER, Array, Pairs, of_degrees, of_intervals
from drillgen.band.walking import CHANGES, PLACES, Beat, row_of

TABLES = ("interval", "after", "degree", "into")
_KEYS = {
    "interval": "interval_by_beats",
    "after": "interval_after_interval",
    "degree": "degree_by_beat",
    "into": "interval_into_new_chord_by_root_motion",
}
# Rows of less than this say nothing: "3>4 into a change".
_LEAST = 100


@cache
def counts() -> Mapping[str, Any]:
    path = Path(__file__).parent / "data" / "walking_counts.json"
    found: Mapping[str, Any] = json.loads(path.read_text("utf-8"))
    return found


@cache
def counted() -> Mapping[str, Mapping[str, Array]]:
    """Each table's rows as they were counted (what is noted, -13 to 13, or twelve degrees)."""
    found: dict[str, dict[str, Array]] = {}
    for table, key in _KEYS.items():
        rows = {}
        for name, row in counts()[key].items():
            values = np.zeros(12 if table == "degree" else 2 * WIDER + 1)
            for value, count in row.items():
                values[int(value) + (0 if table == "degree" else WIDER)] += count
            rows[name] = values
        found[table] = rows
    found["interval"].pop("3>4 into a change")
    found["after"] = {"": np.array([found["after"].get(str(i), np.zeros(2 * WIDER + 1))
                                    for i in range(-WIDER, WIDER + 1)])}  # fmt: skip
    return found


@dataclass(slots=True)
class Walked:
    """What was played, counted."""

    rows: dict[str, dict[str, Array]] = field(default_factory=lambda: {name: {} for name in TABLES})

    def add(self, beats: Sequence[Beat], keys: Sequence[int]) -> None:
        steps = [max(-12, min(12, b - a)) for a, b in pairwise(keys)]
        for step, beat in zip(steps, beats[1:], strict=True):
            place = (CHANGES if beat.changes else PLACES)[beat.kind]
            self._count("interval", place, step + 12, 25)
            if beat.changes:
                self._count("into", str(beat.motion), step + 12, 25)
        for step, then in pairwise(steps):
            self._count("after", "", (step + 12, then + 12), (25, 25))
        for beat, key in zip(beats, keys, strict=True):
            if not beat.changes:
                row = row_of(beat.cell.chord, beat.kind)
                self._count("degree", row, (key - beat.cell.chord.root.pitch_class) % 12, 12)

    def _count(self, table: str, row: str, at: Any, shape: Any) -> None:
        rows = self.rows[table]
        if row not in rows:
            rows[row] = np.zeros(shape)
        rows[row][at] += 1


_PAIRS = Pairs()
_DEGREES, _INTERVALS = of_degrees(), of_intervals()


def noted(table: str, row: Array) -> Array:
    """A row as the machine would have noted it."""
    if table == "after":
        return _PAIRS.noted(row)
    return (_DEGREES if table == "degree" else _INTERVALS) @ row


def back(table: str, weight: Array) -> Array:
    """For each choice as played the mean of a weight over what it may be noted as."""
    if table == "after":
        return _PAIRS.back(weight)
    found: Array = (_DEGREES if table == "degree" else _INTERVALS).T @ weight
    return found


def as_played(table: str, row: Array) -> Array:
    """The same row in the counts' bins, nothing misheard."""
    if table == "degree":
        return row
    return np.pad(row, 1)


def distance(one: Array, other: Array) -> float:
    """The Jensen-Shannon distance of two histograms: the root of the divergence in bits, 0 to 1."""
    p, q = one.ravel() / one.sum(), other.ravel() / other.sum()
    mean = (p + q) / 2
    parts = [np.sum(x[x > 0] * np.log2(x[x > 0] / mean[x > 0])) / 2 for x in (p, q)]
    return float(np.sqrt(max(sum(parts), 0.0)))


def together(rows: Mapping[str, Array], weights: Mapping[str, float]) -> Array:
    """Rows as one histogram, each weighed by how much of it was counted."""
    return np.concatenate([rows[n].ravel() / rows[n].sum() * w for n, w in weights.items()])


def apart(table: str, walked: Walked, *, misheard: bool = True) -> float:
    """How far a table lies from the counts."""
    real = counted()[table]
    heard = {name: (noted if misheard else as_played)(table, row)
             for name, row in walked.rows[table].items()}  # fmt: skip
    both = [n for n in real if n in heard and real[n].sum() >= _LEAST and heard[n].sum() > 0]
    weights = {name: float(real[name].sum()) for name in both}
    return distance(together(real, weights), together(heard, weights))


def halves(table: str, draws: int = 20) -> float:
    """How far two halves of the counts lie apart: each count falls into either at random (the solos
    themselves are not to be had), the mean of some draws."""
    random = np.random.default_rng(1)
    real = {name: row for name, row in counted()[table].items() if row.sum() >= _LEAST}
    weights = {name: float(row.sum()) for name, row in real.items()}
    found = []
    for _ in range(draws):
        half = {name: random.binomial(row.astype(int), 0.5).astype(float)
                for name, row in real.items()}  # fmt: skip
        rest = {name: row - half[name] for name, row in real.items()}
        found.append(distance(together(half, weights), together(rest, weights)))
    return float(np.mean(found))


def all_of(lines: Iterable[tuple[Sequence[Beat], Sequence[int]]]) -> Walked:
    walked = Walked()
    for beats, keys in lines:
        walked.add(beats, keys)
    return walked


def rows(walked: Walked) -> Iterator[tuple[str, float, float, float]]:
    """Table, distance as the machine notes us, as played, and between the counts' halves."""
    for table in TABLES:
        yield table, apart(table, walked), apart(table, walked, misheard=False), halves(table)
