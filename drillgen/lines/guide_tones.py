"""Guide tones: the third and the seventh of each chord, moving by the smallest step.

Common practice (worked example: Dm7 G7 Cmaj7 gives C B B or F F E): the seventh of one chord falls
to the third of the next, the third stays as its seventh.  A sixth stands in for a seventh, a fourth
for the third of a suspended chord.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple

from drillgen.drill.lines import GuideTones, HeldFor
from drillgen.lines.pass_context import Cell, PassContext, open_spans
from drillgen.score import Note
from drillgen.theory.pitch import Degree, Pitch

# Where a thread of tones lies: moved by octaves, and only that, so that the range holds it.
#
# The thread is found first, without regard to any range, so that it is the same line in every key.
# Then the whole pass is looked over: the thread stays in one octave wherever the range holds it so,
# and else changes its octave in a response, which the student plays, or where it moves furthest
# anyhow, which makes the least of a leap.

_OCTAVE = 12
_APART = 12  # semitones of motion that are as bad as a voice moved away from the other

Voices = tuple[Pitch, ...]  # what sounds together; the first of them leads


@dataclass(frozen=True, slots=True)
class ThreadPlace:
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
    thread: Sequence[ThreadPlace], context: PassContext, goes_on_from: Pitch | None = None
) -> list[Voices]:
    """The thread, each of its places in the octave that is best for the whole (dynamic
    programming); close to where the line should begin, or going on from a pitch."""
    if not thread:
        return []
    first = thread[0]
    ways: _Ways = {}
    for octave in _octaves(first, context):
        key = min(voice.midi for voice in first.voices) + _OCTAVE * octave
        entry = _Cost(far=abs(key - context.near))
        if goes_on_from is not None:
            entry = _break(ThreadPlace((goes_on_from,), True), first, octave)
        ways[octave] = entry.plus(_own(first, octave, context)), (octave,)
    for before, place in pairwise(thread):
        ways = dict(_onward(ways, before, place, context))
    _, octaves = min(ways.values())
    return [_placed(*each, context) for each in zip(thread, octaves, strict=True)]


def _onward(
    ways: _Ways, before: ThreadPlace, place: ThreadPlace, context: PassContext
) -> Iterator[tuple[int, tuple[_Cost, tuple[int, ...]]]]:
    """The cheapest way to each octave of the next place."""
    for octave in _octaves(place, context):
        cost, path = min(
            (cost.plus(_break(before, place, octave - path[-1])), path)
            for cost, path in ways.values()
        )
        yield octave, (cost.plus(_own(place, octave, context)), (*path, octave))


def _octaves(place: ThreadPlace, context: PassContext) -> range:
    """By how many octaves a place may be moved; to the nearest in a range that does not hold it."""
    key = place.voices[0].midi
    lowest = -((key - context.low) // _OCTAVE)
    highest = (context.high - key) // _OCTAVE
    return range(lowest, max(highest, lowest) + 1)


def _break(before: ThreadPlace, after: ThreadPlace, octaves: int) -> _Cost:
    """A move that goes some octaves further than the thread does: as bad as it is heard to be."""
    if not octaves:
        return _Cost()
    move = after.voices[0].midi - before.voices[0].midi
    further = abs(move + _OCTAVE * octaves) - abs(move)
    heard = before.heard and after.heard and not after.resumes
    return _Cost(broken=1 + (further if heard else 0))


def _own(place: ThreadPlace, octave: int, context: PassContext) -> _Cost:
    """What it costs to be in an octave: voices that it puts outside, and how low it sounds."""
    keys = [pitch.midi + _OCTAVE * octave for pitch in place.voices]
    outside = sum(not context.holds(key) for key in keys)
    low = sum(max(context.clear_of - key, 0) for key in keys) if place.heard else 0
    return _Cost(_APART * outside, low)


def _placed(place: ThreadPlace, octave: int, context: PassContext) -> Voices:
    """The voices in an octave; one that it puts outside the range comes back by itself."""
    return tuple(context.within(pitch.octaves(octave)) for pitch in place.voices)


_Voice = list[tuple[Degree, Pitch]]  # a tone for each chord, in no particular range


def write(context: PassContext, options: GuideTones) -> list[Note]:
    """One voice from `begin_on`, or both; each note as long as the rhythm says."""
    thread = _thread(context, options)
    voices = [_voice(context, options.begin_on, thread)]
    if options.voices == "both":
        voices.append(_other(context, voices[0], thread))
    places = fitted(list(_places(voices, context)), context, thread[0] if thread else None)
    notes = [
        note
        for number, voice in enumerate(voices)
        for cell, (degree, _), pitches in zip(context.cells, voice, places, strict=True)
        for note in _sounded(cell, pitches[number], str(degree), options.rhythm, context.beat)
    ]
    return sorted(notes, key=lambda note: (note.start, note.pitch.midi))


def _places(voices: list[_Voice], context: PassContext) -> Iterator[ThreadPlace]:
    """What sounds together over each chord, and whether in a call."""
    calls = open_spans(context.bars)
    end = None  # of the chord before
    for cell, *tones in zip(context.cells, *voices, strict=True):
        heard = any(span.start <= cell.span.start < span.end for span in calls)
        resumes = end is not None and end < cell.span.start
        end = cell.span.end
        yield ThreadPlace(tuple(pitch for _, pitch in tones), heard, resumes)


def _thread(context: PassContext, options: GuideTones) -> list[Pitch]:
    """Where the last pass left the voices, if the thread is not cut between keys."""
    if options.thread == "key" or not context.before:
        return []
    end = context.before[-1].start
    return [note.pitch for note in context.before if note.start == end]


def _voice(context: PassContext, begin_on: int, thread: list[Pitch]) -> _Voice:
    """One of the two guide tones of each chord: the nearest to the last one."""
    last = home = thread[0] if thread else None
    voice: _Voice = []
    for cell in context.cells:
        third, seventh = cell.chord.guide_tones
        begins = (third,) if begin_on == 3 else (seventh,)
        degrees = begins if last is None else (third, seventh)
        voice.append(_nearest(cell, degrees, last or context.near, home))
        last = voice[-1][1]
        home = home or last
    return voice


def _other(context: PassContext, first: _Voice, thread: list[Pitch]) -> _Voice:
    """At each chord the guide tone that the first voice leaves, nearest to its own last one; it
    begins as near to the first voice as it can."""
    last = thread[-1] if thread else None
    voice: _Voice = []
    for cell, (taken, pitch) in zip(context.cells, first, strict=True):
        third, seventh = cell.chord.guide_tones
        left = seventh if taken == third else third
        voice.append(_nearest(cell, (left,), last or pitch, None))
        last = voice[-1][1]
    return voice


def _nearest(
    cell: Cell, degrees: Iterable[Degree], last: Pitch | int, home: Pitch | None
) -> tuple[Degree, Pitch]:
    """The tone nearest to the last one.  On a tie the one nearer to where the thread began, so that
    it does not drift away from there, else the one that falls: in every key the same."""
    near = last.midi if isinstance(last, Pitch) else last

    def cost(choice: tuple[Degree, Pitch]) -> tuple[int, int, int]:
        key = choice[1].midi
        return abs(key - near), abs(key - home.midi) if home else 0, key

    choices = [(each, Pitch.near(cell.chord.root.above(each), near)) for each in degrees]
    return min(choices, key=cost)


def _sounded(cell: Cell, pitch: Pitch, mark: str, rhythm: HeldFor, beat: Fraction) -> list[Note]:
    """The tone held for the chord, or repeated in halves or quarters within it."""
    span = cell.span
    step = {"chord": span.duration, "half": 2 * beat, "quarter": beat}[rhythm]
    places = (span.start + step * count for count in range(-(-span.duration // step)))
    return [Note(place, min(step, span.end - place), pitch, mark=mark) for place in places]
