"""From a part as it is played to strokes on exact samples.

Three things that a synthesiser does by itself are settled here, since notes are added one by one:
a note struck again ends its former self; one of a choking pair (closed and open hi-hat) cuts the
other; velocities are gathered into steps, and what is left over becomes gain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from itertools import groupby

from drillgen.performance import Played, Voice
from drillgen.sound.synth import RATE

STEP = 1.5  # dB between velocities that are rendered
# SoundFont 2.04, 8.4.2: a note sounds 40 log10(127 / velocity) dB below its loudest.
_DB_A_DECADE = 40.0

Chokes = frozenset[tuple[int, int]]  # (key, key that it cuts)


@dataclass(frozen=True, slots=True)
class Stroke:
    """One note or drum stroke."""

    start: int  # sample
    hold: int  # samples until note-off, at least 1
    cut: int | None  # samples until it is choked
    key: int
    velocity: int  # one of the steps
    gain: float  # what the step lacks of the true velocity


def strokes(voice: Voice, chokes: Chokes = frozenset()) -> tuple[Stroke, ...]:
    """A part's strokes in order of their starts.  Samples are counted from the track's start."""
    notes = sorted(voice.notes, key=lambda note: (sample_at(note.start), note.key))
    cut_by: dict[int, list[int]] = {}
    for by, cut in chokes:
        cut_by.setdefault(cut, []).append(by)
    following: dict[int, int] = {}  # key to the sample of its next stroke, seen from the end
    backwards: list[Stroke] = []
    for start, chord in groupby(reversed(notes), key=lambda note: sample_at(note.start)):
        together = list(chord)
        for note in together:
            cuts = [following[key] for key in cut_by.get(note.key, ()) if key in following]
            backwards.append(_stroke(note, following.get(note.key), min(cuts, default=None)))
        following.update((note.key, start) for note in together)
    return tuple(reversed(backwards))


def sample_at(seconds: float) -> int:
    """The sample of a moment: each reckoned from the origin, so that nothing adds up."""
    return round(seconds * RATE)


@cache
def step_of(velocity: int) -> int:
    """The nearest velocity that is rendered."""
    below = round(_DB_A_DECADE * math.log10(127 / velocity) / STEP)
    return max(round(127 * 10 ** (-below * STEP / _DB_A_DECADE)), 1)


def _stroke(note: Played, again: int | None, choke: int | None) -> Stroke:
    """`again` and `choke`: the samples at which the note is struck again, and cut off."""
    start = sample_at(note.start)
    hold = sample_at(note.start + note.duration) - start
    if again is not None:
        hold = min(hold, again - start)
    step = step_of(note.velocity)
    gain = (note.velocity / step) ** (_DB_A_DECADE / 20)
    cut = None if choke is None else choke - start
    return Stroke(start, max(hold, 1), cut, note.key, step, gain)
