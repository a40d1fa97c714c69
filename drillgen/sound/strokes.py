"""From a part as it is played to strokes on exact samples.

Two things that a synthesiser does by itself are settled here, since notes are added one by one: a
note struck again ends its former self; one of a choking pair (closed and open hi-hat) cuts the
other.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cache
from typing import NamedTuple

from drillgen.errors import SoundError
from drillgen.performance import Performance, Played, Voice
from drillgen.sound.fluidsynth import HOP, RATE

STEP = 1.5  # dB between velocities that are rendered where they do not sound alike
# SoundFont 2.04, 8.4.2: a note sounds 40 log10(127 / velocity) dB below its loudest.
_DB_A_DECADE = 40.0

Chokes = frozenset[tuple[int, int]]  # (key, key that it cuts)


class Stroke(NamedTuple):
    """One note or drum stroke.  (A tuple: there are thousands, and they are made in no time.)"""

    start: int  # sample
    hold: int  # samples until note-off, at least 1
    cut: int | None  # samples until it is choked
    key: int
    velocity: int


def strokes(voice: Voice, chokes: Chokes = frozenset()) -> tuple[Stroke, ...]:
    """A part's strokes in order of their starts.  Samples are counted from the track's start."""
    notes = sorted(
        ((sample_at(note.start), note.key, note) for note in voice.notes), key=lambda item: item[:2]
    )
    cut_by: dict[int, list[int]] = {}
    for by, cut in chokes:
        cut_by.setdefault(cut, []).append(by)
    following: dict[int, int] = {}  # key to the sample of its next stroke, seen from the end
    together: list[tuple[int, int]] = []  # key and sample of what is struck at the same time
    backwards: list[Stroke] = []
    for start, key, note in reversed(notes):
        if together and together[0][1] != start:
            following.update(together)
            together.clear()
        cuts = [following[by] for by in cut_by.get(key, ()) if by in following]
        backwards.append(_stroke(start, note, following.get(key), min(cuts, default=None)))
        together.append((key, start))
    return tuple(reversed(backwards))


def sample_at(seconds: float) -> int:
    """The sample of a moment: each reckoned from the origin, so that nothing adds up."""
    return round(seconds * RATE)


@cache
def step_of(velocity: int, step: float = STEP) -> int:
    """The nearest velocity on steps of some dB from the loudest."""
    below = round(_DB_A_DECADE * math.log10(127 / velocity) / step)
    return max(round(127 * 10 ** (-below * step / _DB_A_DECADE)), 1)


def _stroke(start: int, note: Played, again: int | None, choke: int | None) -> Stroke:
    """`again` and `choke`: the samples at which the note is struck again, and cut off."""
    hold = sample_at(note.start + note.duration) - start
    if again is not None:
        hold = min(hold, again - start)
    cut = None if choke is None else choke - start
    return Stroke(start, max(hold, 1), cut, note.key, note.velocity)


def takes(keys: Iterable[int], count: int) -> Iterator[int]:
    """Which of `count` takes each of some notes is: a key that comes again is another one."""
    turns: dict[int, int] = {}
    for key in keys:
        turns[key] = turns.get(key, key) + 1
        yield turns[key] % count


# The stretch of a performance that a file holds.

# Seconds by which a player may be before the beat: such a note belongs to the beat, and in a loop
# it is heard at the end of the round before.
_EARLY = 0.05


def passage(performance: Performance, loop: tuple[float, float] | None) -> tuple[Performance, int]:
    """A performance, or what a loop has of it from its first sample on; and its length in samples.

    Raises SoundError: the loop is not within the performance, or too short.
    """
    if loop is None:
        return performance, sample_at(performance.seconds)
    begin, end = loop
    length = sample_at(end) - sample_at(begin)
    if not 0 <= begin <= end <= performance.seconds + 1 / RATE or length < 2 * HOP:
        raise SoundError(f"There is no loop from {begin:g} to {end:g} seconds.")
    voices = tuple(_within(voice, begin, end) for voice in performance.voices)
    return replace(performance, voices=voices, seconds=length / RATE), length


def _within(voice: Voice, begin: float, end: float) -> Voice:
    origin = sample_at(begin) / RATE
    length = (sample_at(end) - sample_at(begin)) / RATE
    notes = []
    for note in voice.notes:
        if begin <= note.start < end:
            notes.append(_moved(note, -origin))
        elif begin - _EARLY <= note.start < begin and voice.part not in ("click", "cue"):
            notes.append(_moved(note, length - origin))
    return replace(voice, notes=tuple(sorted(notes, key=lambda note: (note.start, note.key))))


def _moved(note: Played, seconds: float) -> Played:
    return replace(note, start=max(note.start + seconds, 0.0))
