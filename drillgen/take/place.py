"""Where in which track a recording lies, and how its player is tuned: found from the notes alone.

Every pair of a heard and an asked note with the same name votes for the place that it would mean;
of each track the places with most votes are tried out.  What is heard and not asked, and what is
asked in the time of the recording and not heard, speaks against a place.
"""

from __future__ import annotations

import cmath
import math
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np
from numpy.typing import NDArray

from drillgen.take import AskedNote, HeardNote, HearingError, tables
from drillgen.take.asked import AskedTrack
from drillgen.take.judge import Tuning, folded, shared_out

_RULES = tables()["place"]


@dataclass(frozen=True, slots=True)
class Placed:
    """A recording in its track."""

    track: AskedTrack
    at: float  # second of the track that the recording begins with
    tuning: Tuning
    matched: int  # how many heard notes are asked ones there
    asked: int  # how many are asked while the recording goes on


@dataclass(frozen=True, slots=True)
class _Lists:
    """Starts and keys as arrays."""

    starts: NDArray[np.float64]
    pitches: NDArray[np.float64]


def placed(
    tracks: Sequence[AskedTrack],
    heard: Sequence[HeardNote],
    seconds: float,
    at: float | None = None,
) -> Placed:
    """The track and the place that fit best.  `seconds`: of the recording; `at`: where it begins,
    to a second, where that is known.

    Raises HearingError where nothing fits well enough.
    """
    cents = own_tuning(heard)
    lists = _lists([(note.start, note.pitch - cents / 100) for note in heard])
    tried = (
        (score, -number, place, track)
        for number, track in enumerate(tracks)
        for score, place in _tried(track, lists, seconds, at)
    )
    best = max(tried, key=lambda each: each[:2], default=None)
    if not any(track.notes for track in tracks):
        raise HearingError("nothing is asked there: no response that repeats its call, no line")
    if best is None:
        raise HearingError(_STRANGE.format(0, len(heard)))
    found = _settled(best[3], heard, best[2], seconds, cents)
    most = max(found.asked, _in_responses(found, heard))
    if at is None and found.matched < _RULES["least_share"] * most:
        raise HearingError(_STRANGE.format(found.matched, most))
    return found


def _in_responses(found: Placed, heard: Sequence[HeardNote]) -> int:
    """How many heard notes lie where an answer is due."""
    return sum(map(len, shared_out(found.track.responses, in_track(heard, found.at))))


_STRANGE = (
    "this does not sound like the drill: {} of {} notes fit where it fits best. Is it another"
    " drill, or another key? --track, --key, --tempo and --at say what was played"
)


def own_tuning(heard: Sequence[HeardNote]) -> float:
    """How sharp a player is tuned, cents, -50 to 50: the mean direction of all notes on a circle
    of a semitone; 0 where they point everywhere."""
    if not heard:
        return 0.0
    mean = sum(cmath.exp(2j * math.pi * note.pitch) for note in heard) / len(heard)
    return math.degrees(cmath.phase(mean)) / 3.6 if abs(mean) > _RULES["of_one_tuning"] else 0.0


def _lists(notes: Sequence[tuple[float, float]]) -> _Lists:
    array = np.array(notes, np.float64).reshape(-1, 2)
    return _Lists(array[:, 0], array[:, 1])


def _tried(
    track: AskedTrack, heard: _Lists, seconds: float, at: float | None
) -> Iterator[tuple[float, float]]:
    """Places in a track, each with how well it fits."""
    asked = _lists([(note.start, float(note.key)) for note in track.notes])
    if not len(asked.starts):
        return
    places = list(_voted(asked, heard, at))
    if at is not None and not places:
        places = [at]
    for place in places:
        yield _fit(asked, heard, place, seconds), place


def _voted(asked: _Lists, heard: _Lists, at: float | None) -> Iterator[float]:
    """The places with most votes; near `at` alone, where that is said."""
    apart = asked.pitches[:, None] - heard.pitches[None, :]
    same = np.abs((apart + 6) % 12 - 6) < _RULES["same_semitones"]
    places = (asked.starts[:, None] - heard.starts[None, :])[same]
    if at is not None:
        places = places[np.abs(places - at) <= _RULES["said_within_ms"] / 1000]
    if not len(places):
        return
    width = _RULES["bin_ms"] / 1000
    first = places.min() - width
    votes = np.bincount(((places - first) / width).astype(int))
    wide = np.convolve(votes, np.ones(3), "same")
    for peak in np.argsort(-wide, kind="stable")[: _RULES["tried"]]:
        middle = first + (peak + 0.5) * width
        near = places[np.abs(places - middle) < 1.5 * width]
        if len(near):
            yield float(np.median(near))


def _fit(asked: _Lists, heard: _Lists, at: float, seconds: float) -> float:
    """Notes that fit, less a share of those that do not, on either side."""
    inside = (asked.starts >= at) & (asked.starts < at + seconds)
    starts, pitches = asked.starts[inside] - at, asked.pitches[inside]
    if not len(starts) or not len(heard.starts):
        return 0.0
    apart = np.abs(starts[:, None] - heard.starts[None, :])
    octaves = (pitches[:, None] - heard.pitches[None, :] + 6) % 12 - 6
    close = np.where(np.abs(octaves) < _RULES["same_semitones"], apart, np.inf)
    near = close.min(axis=1)
    fitting = np.maximum(1 - near / (_RULES["near_ms"] / 1000), 0).sum()
    return float(fitting - _RULES["missing"] * (near > _RULES["near_ms"] / 1000).sum())


def _settled(
    track: AskedTrack,
    heard: Sequence[HeardNote],
    at: float,
    seconds: float,
    cents: float,
) -> Placed:
    """The place to the millisecond, and the octave and tuning of what fits there."""
    pairs = list(_pairs(track.notes, heard, at, cents))
    if pairs:
        at += median(note.start - (other.start + at) for note, other in pairs)
    octaves = round(median((o.pitch - cents / 100 - n.key) / 12 for n, o in pairs)) if pairs else 0
    off = [folded((o.pitch - n.key) * 100 - cents) + cents for n, o in pairs]
    asked = sum(at <= note.start < at + seconds for note in track.notes)
    tuning = Tuning(median(off) if len(off) >= _RULES["tuned_by"] else 0.0, octaves)
    tuning = replace(tuning, any_octave=track.any_octave)
    return Placed(track, at, tuning, len(pairs), asked)


def _pairs(
    asked: Sequence[AskedNote], heard: Sequence[HeardNote], at: float, cents: float
) -> Iterator[tuple[AskedNote, HeardNote]]:
    """Each asked note with the nearest heard one of its name."""
    starts = [note.start + at for note in heard]
    near = _RULES["near_ms"] / 1000
    for note in asked:
        first = bisect_left(starts, note.start - near)
        last = bisect_left(starts, note.start + near)
        same = [
            other
            for other in heard[first:last]
            if abs(folded((other.pitch - note.key) * 100 - cents)) < 100 * _RULES["same_semitones"]
        ]
        if same:
            yield note, min(same, key=lambda other: abs(other.start + at - note.start))


def in_track(heard: Sequence[HeardNote], at: float) -> list[HeardNote]:
    """The same notes in seconds of the track."""
    return [replace(note, start=note.start + at, end=note.end + at) for note in heard]
