"""Guide tones: the third and the seventh of each chord, moving by the smallest step.

Common practice (worked example: Dm7 G7 Cmaj7 gives C B B or F F E): the seventh of one chord falls
to the third of the next, the third stays as its seventh.  A sixth stands in for a seventh, a fourth
for the third of a suspended chord.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction

from drillgen.drill.lines import GuideTones
from drillgen.lines.fitting import Place, fitted
from drillgen.lines.stretch import Cell, Stretch, open_spans
from drillgen.score import Note
from drillgen.theory.pitch import Degree, Pitch

KIND = "guide tones"

_Voice = list[tuple[Degree, Pitch]]  # a tone for each chord, in no particular range


def write(stretch: Stretch, options: GuideTones) -> list[Note]:
    """One voice from `begin_on`, or both; each note as long as the rhythm says."""
    thread = _thread(stretch, options)
    voices = [_voice(stretch, options.begin_on, thread)]
    if options.voices == "both":
        voices.append(_other(stretch, voices[0], thread))
    places = fitted(list(_places(voices, stretch)), stretch, thread[0] if thread else None)
    notes = [
        note
        for number, voice in enumerate(voices)
        for cell, (degree, _), pitches in zip(stretch.cells, voice, places, strict=True)
        for note in _sounded(cell, pitches[number], str(degree), options.rhythm, stretch.beat)
    ]
    return sorted(notes, key=lambda note: (note.start, note.pitch.midi))


def _places(voices: list[_Voice], stretch: Stretch) -> Iterator[Place]:
    """What sounds together over each chord, and whether in a call."""
    calls = open_spans(stretch.bars)
    end = None  # of the chord before
    for cell, *tones in zip(stretch.cells, *voices, strict=True):
        heard = any(span.start <= cell.span.start < span.end for span in calls)
        resumes = end is not None and end < cell.span.start
        end = cell.span.end
        yield Place(tuple(pitch for _, pitch in tones), heard, resumes)


def _thread(stretch: Stretch, options: GuideTones) -> list[Pitch]:
    """Where the last pass left the voices, if the thread is not cut between keys."""
    if options.thread == "key" or not stretch.before:
        return []
    end = stretch.before[-1].start
    return [note.pitch for note in stretch.before if note.start == end]


def _voice(stretch: Stretch, begin_on: int, thread: list[Pitch]) -> _Voice:
    """One of the two guide tones of each chord: the nearest to the last one."""
    last = home = thread[0] if thread else None
    voice: _Voice = []
    for cell in stretch.cells:
        third, seventh = cell.chord.guide_tones
        begins = (third,) if begin_on == 3 else (seventh,)
        degrees = begins if last is None else (third, seventh)
        voice.append(_nearest(cell, degrees, last or stretch.near, home))
        last = voice[-1][1]
        home = home or last
    return voice


def _other(stretch: Stretch, first: _Voice, thread: list[Pitch]) -> _Voice:
    """At each chord the guide tone that the first voice leaves, nearest to its own last one; it
    begins as near to the first voice as it can."""
    last = thread[-1] if thread else None
    voice: _Voice = []
    for cell, (taken, pitch) in zip(stretch.cells, first, strict=True):
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


def _sounded(cell: Cell, pitch: Pitch, mark: str, rhythm: str, beat: Fraction) -> list[Note]:
    """The tone held for the chord, or repeated in halves or quarters within it."""
    span = cell.span
    step = {"chord": span.duration, "half": 2 * beat, "quarter": beat}[rhythm]
    places = (span.start + step * count for count in range(-(-span.duration // step)))
    return [Note(place, min(step, span.end - place), pitch, mark=mark) for place in places]
