"""The band's walking bass beside recorded ones.

What is known of those was noted by a machine, so ours is misheard in the same way first
(`machine_ear.py`), every note by itself.  Medians and 10 to 90 % spreads between tracks: bass lines
under 23 solos of the Weimar Jazz Database (ODbL 1.0) and 17 tracks of the Jazz Trio Database (MIT).
Where only a median is known, a third of it either way is allowed, or 0.05 (our own bar).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise
from random import Random
from statistics import mean, median, pvariance
from typing import Any

from quicktions import Fraction

from benchmarks.musical.figure import Figure
from benchmarks.musical.machine_ear import errors
from benchmarks.musical.walking_counts import Walked, rows
from drillgen.band.walking import Beat
from drillgen.lines.pass_context import cells
from drillgen.score import Note, Score

_WJD = "Weimar Jazz Database, as a machine noted it"
_JTD = "Jazz Trio Database"
_INTERVALS = {1: "semitones", 2: "whole tones", 3: "thirds", 4: "thirds", 5: "fourths",
              7: "fifths", 12: "octaves"}  # fmt: skip
# Median, and the 10 to 90 % spread where it is known.
REAL: dict[str, tuple[float, float | None, float | None]] = {
    "root where a chord changes": (0.68, 0.63, 0.79),
    "fifth where a chord changes": (0.09, None, None),
    "chord tone on beat 2": (0.60, None, None),
    "chord tone on beat 3": (0.57, 0.36, 0.73),
    "chord tone on beat 4": (0.54, None, None),
    "root on beat 2": (0.13, None, None),
    "root on beat 3": (0.18, None, None),
    "root on beat 4": (0.20, None, None),
    "seventh on beat 2": (0.07, None, None),
    "repeated notes": (0.07, 0.03, 0.15),
    "semitones": (0.23, None, None),
    "whole tones": (0.15, None, None),
    "thirds": (0.15, None, None),
    "fourths": (0.10, None, None),
    "fifths": (0.08, None, None),
    "octaves": (0.01, None, None),
    "direction changes": (0.57, None, None),
    "mean run in one direction": (1.65, None, None),
    "leap answered by a leap": (0.14, None, None),
    "third after third": (0.01, None, None),
    "into a root by a semitone below": (0.17, None, None),
    "into a root by a semitone above": (0.19, None, None),
    "into a root by a tone below": (0.02, None, None),
    "into a root by a tone above": (0.13, None, None),
    "into a root by a fifth": (0.19, None, None),
    "bars whose shape comes again": (0.16, 0.06, 0.33),
}
PLAYED: dict[str, tuple[float, float | None, float | None]] = {
    "beats begun by a note": (0.93, None, None),
    "beats with a note between, below 170": (0.25, None, None),
    "beats with a note between, above": (0.07, None, None),
    "of these on the first triplet": (0.11, None, None),
    "their clusters, variance over mean": (1.5, None, None),
}
_LEAP = 5


def walking_players(scores: Sequence[Score]) -> Iterator[Figure]:
    """Real range, ours, inside; and how far the counts' tables and ours lie apart."""
    walked = Walked()
    by_track: dict[str, list[float]] = defaultdict(list)
    for number, score in enumerate(scores):
        sequences = list(walked_in(score))
        for beats, keys in sequences:
            walked.add(beats, keys)
        for name, value in _statistics(sequences, Random(number)).items():
            by_track[name].append(value)
        for name, value in _between(score).items():
            by_track[name].append(value)
    for source, real in ((_WJD, REAL), (_JTD, PLAYED)):
        for name, (middle, low, high) in real.items():
            spare = max(middle / 3, 0.05)
            bar = (low, high) if low is not None and high is not None else (
                max(middle - spare, 0.0), middle + spare)  # fmt: skip
            yield Figure(f"band's walking: {name} (real {middle:g})", median(by_track[name]), bar,
                         source)  # fmt: skip
    for table, heard, played, halves in rows(walked):
        yield Figure(f"band's walking: {table}: Jensen-Shannon distance from the counts, misheard "
                     f"(their halves {halves:.3f}; not misheard {played:.3f})", heard,
                     (0, 2 * halves), "twice that between two halves of the counts")  # fmt: skip


def walked_in(score: Score) -> Iterator[tuple[list[Beat], list[int]]]:
    """The notes on the beats, in stretches in which every beat is begun, as they were chosen."""
    chart = score.chart
    part, beat = score.part("bass"), chart.drill.meter.beat
    assert part is not None
    row = list(cells(bar for bar in chart.bars if bar.form_bar >= 0))
    beats: list[Beat] = []
    keys: list[int] = []
    index = 0
    for note in part.notes:
        bar = chart.bar_at(note.start)
        place = (note.start - bar.start) / beat
        if bar.form_bar < 0 or place.denominator > 1:
            continue
        while index + 1 < len(row) and row[index + 1].span.start <= note.start:
            index += 1
        if beats and note.start - beats[-1].place != beat:
            yield beats, keys
            beats, keys = [], []
        cell, before = row[index], row[index - 1] if index else None
        begins = note.start == cell.span.start
        changes = begins and (before is None or before.chord != cell.chord)
        motion = 0
        if before is not None:
            motion = cell.chord.bass_name.pitch_class - before.chord.bass_name.pitch_class
        kind = 1 if not place else 4 if place == chart.drill.meter.beats - 1 else 2 + (place == 2)
        beats.append(Beat(cell, note.start, note.start + beat, int(kind), changes, False, False,
                          None, motion % 12))  # fmt: skip
        keys.append(note.pitch.midi)
    yield beats, keys


@dataclass(slots=True)
class _Count:
    hits: Counter[str] = field(default_factory=Counter)
    of: Counter[str] = field(default_factory=Counter)

    def add(self, name: str, hit: bool) -> None:
        self.of[name] += 1
        self.hits[name] += hit


def _statistics(
    sequences: Iterable[tuple[Sequence[Beat], Sequence[int]]], random: Random
) -> dict[str, float]:
    count = _Count()
    runs: list[int] = []
    shapes: list[Any] = []
    chances = list(errors())
    for beats, exact in sequences:
        off = random.choices(range(-12, 13), chances, k=len(exact))
        keys = [key + error for key, error in zip(exact, off, strict=True)]
        _degrees(beats, keys, count)
        runs += _motion(beats, keys, count)
        shapes += _shapes(beats, keys)
    again = Counter(shapes)
    found = {name: count.hits[name] / total for name, total in count.of.items()}
    found["mean run in one direction"] = mean(runs) if runs else 0.0
    repeated = sum(n for n in again.values() if n > 1)
    found["bars whose shape comes again"] = repeated / max(len(shapes), 1)
    return found


def _degrees(beats: Sequence[Beat], keys: Sequence[int], count: _Count) -> None:
    for beat, key in zip(beats, keys, strict=True):
        chord = beat.cell.chord
        degree = (key - chord.root.pitch_class) % 12
        if beat.changes:
            count.add("root where a chord changes", degree == 0)
            count.add("fifth where a chord changes", degree == 7)
        elif beat.kind > 1:
            tones = {(n.pitch_class - chord.root.pitch_class) % 12 for n in chord.names[:4]}
            count.add(f"chord tone on beat {beat.kind}", degree in tones)
            count.add(f"root on beat {beat.kind}", degree == 0)
            count.add(f"seventh on beat {beat.kind}", degree in tones & {9, 10, 11})


def _motion(beats: Sequence[Beat], keys: Sequence[int], count: _Count) -> list[int]:
    steps = [b - a for a, b in pairwise(keys)]
    for step, beat, key in zip(steps, beats[1:], keys[1:], strict=True):
        count.add("repeated notes", step == 0)
        for name in dict.fromkeys(_INTERVALS.values()):
            count.add(name, _INTERVALS.get(abs(step)) == name)
        if beat.changes and key % 12 == beat.cell.chord.root.pitch_class:
            for name, found in (("a semitone below", (1,)), ("a semitone above", (-1,)),
                                ("a tone below", (2,)), ("a tone above", (-2,)),
                                ("a fifth", (5, -7))):  # fmt: skip
                count.add(f"into a root by {name}", step in found)
    for step, then in pairwise(map(abs, steps)):
        count.add("third after third", {step, then} <= {3, 4})
        count.add("leap answered by a leap", step >= _LEAP and then >= _LEAP)
    moving = [step > 0 for step in steps if step]
    for up, then in pairwise(moving):
        count.add("direction changes", up != then)
    return [len(list(group)) for _, group in groupby(moving)]


def _shapes(beats: Sequence[Beat], keys: Sequence[int]) -> Iterator[tuple[int, ...]]:
    by_bar: dict[Fraction, list[int]] = defaultdict(list)
    for beat, key in zip(beats, keys, strict=True):
        by_bar[beat.cell.bar_start].append(key)
    for found in by_bar.values():
        if len(found) == 4:
            yield tuple(b - a for a, b in pairwise(found))


def _between(score: Score) -> dict[str, float]:
    """What lies between the beats, and which beats are begun."""
    chart, part = score.chart, score.part("bass")
    assert part is not None
    beat = chart.drill.meter.beat
    by_bar: dict[int, list[Note]] = defaultdict(list)
    for note in part.notes:
        by_bar[chart.bar_at(note.start).number].append(note)
    bars = [by_bar[bar.number] for bar in chart.bars if bar.form_bar >= 0]
    begun = sum((n.start / beat).denominator == 1 for notes in bars for n in notes)
    off = [[n.start / beat % 1 for n in notes if (n.start / beat).denominator > 1]
           for notes in bars]  # fmt: skip
    places = [place for each in off for place in each]
    beats = len(bars) * chart.drill.meter.beats
    slow = chart.bars[-1].tempo < 170
    name = "beats with a note between, " + ("below 170" if slow else "above")
    struck = sum(place != Fraction(2, 3) for place in places)  # a triplet's two count once
    found = {"beats begun by a note": begun / beats, name: struck / beats}
    if places and slow:
        found["of these on the first triplet"] = places.count(Fraction(1, 3)) / len(places)
        counts = [sum(place != Fraction(2, 3) for place in each) for each in off]
        found["their clusters, variance over mean"] = pvariance(counts) / mean(counts)
    return found
