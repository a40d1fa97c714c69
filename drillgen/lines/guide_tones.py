"""Guide tones: the third and the seventh of each chord, moving by the smallest step.

Common practice (worked example: Dm7 G7 Cmaj7 gives C B B or F F E): the seventh of one chord falls
to the third of the next, the third stays as its seventh.  A sixth stands in for a seventh, a fourth
for the third of a suspended chord.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from drillgen.drill.lines import GuideTones
from drillgen.lines.stretch import Cell, Stretch, closest
from drillgen.score import Note
from drillgen.theory.pitch import Degree, Pitch

KIND = "guide tones"

_Voice = list[tuple[Degree, Pitch]]  # a tone for each chord


def write(stretch: Stretch, options: GuideTones) -> list[Note]:
    """One voice from `begin_on`, or both; each note as long as the rhythm says."""
    voices = [_voice(stretch, options.begin_on, _thread(stretch, options))]
    if options.voices == "both":
        voices.append(_other(stretch, voices[0], _thread(stretch, options)))
    notes = [
        note
        for voice in voices
        for cell, (degree, pitch) in zip(stretch.cells, voice, strict=True)
        for note in _sounded(cell, pitch, str(degree), options.rhythm, stretch.beat)
    ]
    return sorted(notes, key=lambda note: (note.start, note.pitch.midi))


def _thread(stretch: Stretch, options: GuideTones) -> list[Pitch]:
    """Where the last pass left the voices, if the thread is not cut between keys."""
    if options.thread == "key" or not stretch.before:
        return []
    end = stretch.before[-1].start
    return [note.pitch for note in stretch.before if note.start == end]


def _voice(stretch: Stretch, begin_on: int, thread: list[Pitch]) -> _Voice:
    """One of the two guide tones of each chord: the nearest to the last one."""
    last = thread[0] if thread else None
    voice: _Voice = []
    for cell in stretch.cells:
        third, seventh = cell.chord.guide_tones
        begins = (third,) if begin_on == 3 else (seventh,)
        voice.append(_nearest(cell, begins if last is None else (third, seventh), last, stretch))
        last = voice[-1][1]
    return voice


def _other(stretch: Stretch, first: _Voice, thread: list[Pitch]) -> _Voice:
    """At each chord the guide tone that the first voice leaves, nearest to its own last one."""
    last = thread[-1] if thread else None
    voice: _Voice = []
    for cell, (taken, _) in zip(stretch.cells, first, strict=True):
        third, seventh = cell.chord.guide_tones
        voice.append(_nearest(cell, (seventh if taken == third else third,), last, stretch))
        last = voice[-1][1]
    return voice


def _nearest(
    cell: Cell, degrees: Iterable[Degree], last: Pitch | None, stretch: Stretch
) -> tuple[Degree, Pitch]:
    """The tone nearest to the last one; on a tie the one that falls."""
    near = last.midi if last else stretch.near
    choices = [
        (degree, closest(cell.chord.root.above(degree), near, stretch.low, stretch.high))
        for degree in degrees
    ]
    return min(choices, key=lambda choice: (abs(choice[1].midi - near), choice[1].midi))


def _sounded(cell: Cell, pitch: Pitch, mark: str, rhythm: str, beat: Fraction) -> list[Note]:
    """The tone held for the chord, or repeated in halves or quarters within it."""
    span = cell.span
    step = {"chord": span.duration, "half": 2 * beat, "quarter": beat}[rhythm]
    places = (span.start + step * count for count in range(-(-span.duration // step)))
    return [Note(place, min(step, span.end - place), pitch, mark=mark) for place in places]
