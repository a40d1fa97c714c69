"""Comping: inside the chord, led by small motion, clear of the low interval limits."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise

from benchmarks.musical.figure import Figure, share
from benchmarks.musical.places import chords_meant, sounds, strokes
from drillgen.score import Score
from drillgen.theory.voicings import LOW_INTERVAL_LIMITS, leap_together, moves


@dataclass(slots=True)
class _Tally:
    notes: int = 0
    outside: int = 0
    muddy: int = 0
    changes: int = 0
    leaps: int = 0
    motion: int = 0
    voices: int = 0
    above: int = 0
    with_line: int = 0


def comping(scores: Iterable[Score]) -> Iterator[Figure]:
    tally = _Tally()
    for score in scores:
        _count(score, tally)
        _under_line(score, tally)
    issue = "this project's own bar"
    yield Figure("comping: notes", tally.notes, None, "")
    yield Figure("comping: notes outside chord and scale", tally.outside, (0, 0), issue)
    yield Figure("comping: intervals below the low interval limits", tally.muddy, (0, 0),
                 "a published table of low interval limits")  # fmt: skip
    yield Figure("comping: leaps of all voices the same way, over 4 semitones", tally.leaps,
                 (0, 0), "common practice")  # fmt: skip
    yield Figure("comping: mean motion a voice, semitones", tally.motion / max(tally.voices, 1),
                 (0, 2), issue)  # fmt: skip
    yield Figure("comping: strokes under a higher line that cross it",
                 share(tally.above, tally.with_line), (0, 1), "common practice", " %")  # fmt: skip


def _count(score: Score, tally: _Tally) -> None:
    part = score.part("comping")
    found = strokes(part.notes) if part else []
    for place, keys in found:
        meant = [sounds(*each) for each in chords_meant(score.chart, place)]
        tally.notes += len(keys)
        if meant:
            tally.outside += min(sum(key % 12 not in each for key in keys) for each in meant)
        pairs = combinations(keys, 2)
        tally.muddy += sum(low < LOW_INTERVAL_LIMITS.get(high - low, 0) for low, high in pairs)
    for (_, before), (_, after) in pairwise(found):
        moved = moves(before, after)
        tally.changes += 1
        tally.leaps += leap_together(before, after)
        tally.motion += sum(map(abs, moved))
        tally.voices += len(moved)


def _under_line(score: Score, tally: _Tally) -> None:
    """Of strokes under a line note that leaves the comping an octave of room, those above it."""
    part, line = score.part("comping"), score.part("line")
    if part is None or line is None:
        return
    lowest: dict[int, int] = {}
    for note in line.notes:
        number = score.chart.bar_at(note.start).number
        lowest[number] = min(lowest.get(number, 127), note.pitch.midi)
    for place, keys in strokes(part.notes):
        at = lowest.get(score.chart.bar_at(place).number, 0)
        if at > 66:  # an octave above the lowest of the comping's registers
            tally.with_line += 1
            tally.above += keys[-1] >= at
