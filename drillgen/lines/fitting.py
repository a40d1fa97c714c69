"""Where a thread of tones lies: moved by octaves, and only that, so that the range holds it.

The thread is found first, without regard to any range, so that it is the same line in every key.
Then the whole pass is looked over: the thread stays in one octave wherever the range holds it so,
and else changes its octave in a response, which the student plays, or where it moves furthest
anyhow, which makes the least of a leap.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from drillgen.lines.stretch import Stretch, closest
from drillgen.theory.pitch import Pitch

_OCTAVE = 12
_APART = 12  # semitones of motion that are as bad as a voice moved away from the other

Voices = tuple[Pitch, ...]  # what sounds together; the first of them leads


@dataclass(frozen=True, slots=True)
class Place:
    """Where the thread stands over one chord, in no particular octave."""

    voices: Voices
    heard: bool  # False in a response, which is the student's
    resumes: bool = False  # whether a response lies between it and the place before


class _Cost(NamedTuple):
    """What a way costs, in semitones; compared in this order."""

    broken: int = 0  # moves further than the thread's own
    low: int = 0  # below where the line keeps clear of the band's bass
    far: int = 0  # away from where the line should begin

    def plus(self, other: _Cost) -> _Cost:
        return _Cost(self.broken + other.broken, self.low + other.low, self.far + other.far)


_Ways = dict[int, tuple[_Cost, tuple[int, ...]]]  # the cheapest, by the octave that it ends in


def fitted(
    thread: Sequence[Place], stretch: Stretch, goes_on_from: Pitch | None = None
) -> list[Voices]:
    """The thread, each of its places in the octave that is best for the whole (dynamic
    programming); close to where the line should begin, or going on from a pitch."""
    if not thread:
        return []
    first = thread[0]
    ways: _Ways = {}
    for octave in _octaves(first, stretch):
        key = min(voice.midi for voice in first.voices) + _OCTAVE * octave
        entry = _Cost(far=abs(key - stretch.near))
        if goes_on_from is not None:
            entry = _break(Place((goes_on_from,), True), first, octave)
        ways[octave] = entry.plus(_own(first, octave, stretch)), (octave,)
    for before, place in pairwise(thread):
        ways = dict(_onward(ways, before, place, stretch))
    _, octaves = min(ways.values())
    return [_placed(*each, stretch) for each in zip(thread, octaves, strict=True)]


def _onward(
    ways: _Ways, before: Place, place: Place, stretch: Stretch
) -> Iterator[tuple[int, tuple[_Cost, tuple[int, ...]]]]:
    """The cheapest way to each octave of the next place."""
    for octave in _octaves(place, stretch):
        cost, path = min(
            (cost.plus(_break(before, place, octave - path[-1])), path)
            for cost, path in ways.values()
        )
        yield octave, (cost.plus(_own(place, octave, stretch)), (*path, octave))


def _octaves(place: Place, stretch: Stretch) -> range:
    """By how many octaves a place may be moved; to the nearest in a range that does not hold it."""
    key = place.voices[0].midi
    lowest = -((key - stretch.low) // _OCTAVE)
    highest = (stretch.high - key) // _OCTAVE
    return range(lowest, max(highest, lowest) + 1)


def _break(before: Place, after: Place, octaves: int) -> _Cost:
    """A move that goes some octaves further than the thread does: as bad as it is heard to be."""
    if not octaves:
        return _Cost()
    move = after.voices[0].midi - before.voices[0].midi
    further = abs(move + _OCTAVE * octaves) - abs(move)
    heard = before.heard and after.heard and not after.resumes
    return _Cost(broken=1 + (further if heard else 0))


def _own(place: Place, octave: int, stretch: Stretch) -> _Cost:
    """What it costs to be in an octave: voices that it puts outside, and how low it sounds."""
    keys = [pitch.midi + _OCTAVE * octave for pitch in place.voices]
    outside = sum(not stretch.low <= key <= stretch.high for key in keys)
    low = sum(max(stretch.clear_of - key, 0) for key in keys) if place.heard else 0
    return _Cost(_APART * outside, low)


def _placed(place: Place, octave: int, stretch: Stretch) -> Voices:
    """The voices in an octave; one that it puts outside the range comes back by itself."""
    moved = (pitch.octaves(octave) for pitch in place.voices)
    return tuple(closest(each.name, each.midi, stretch.low, stretch.high) for each in moved)
