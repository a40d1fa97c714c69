"""Guide tones: the third and the seventh of each chord, moving by the smallest step.

Common practice (worked example: Dm7 G7 Cmaj7 gives C B B or F F E): the seventh of one chord falls
to the third of the next, the third stays as its seventh.  A sixth stands in for a seventh, a fourth
for the third of a suspended chord.
"""

from __future__ import annotations

from fractions import Fraction

from drillgen.drill.lines import GuideTones
from drillgen.lines.stretch import Cell, Stretch, closest
from drillgen.score import Note
from drillgen.theory.pitch import Degree, Pitch

KIND = "guide tones"


def write(stretch: Stretch, options: GuideTones) -> list[Note]:
    """One voice from `begin_on`, or both; each note as long as the rhythm says."""
    starts = [options.begin_on]
    if options.voices == "both":
        starts.append(7 if options.begin_on == 3 else 3)
    notes = [note for start in starts for note in _voice(stretch, start, options.rhythm)]
    return sorted(notes, key=lambda note: (note.start, note.pitch.midi))


def _voice(stretch: Stretch, begin_on: int, rhythm: str) -> list[Note]:
    notes: list[Note] = []
    last: Pitch | None = None
    for cell in stretch.cells:
        degree, last = _next(cell, last, begin_on, stretch)
        notes += _sounded(cell, last, str(degree), rhythm, stretch.beat)
    return notes


def _next(cell: Cell, last: Pitch | None, begin_on: int, stretch: Stretch) -> tuple[Degree, Pitch]:
    """The guide tone nearest to the last one; on a tie the one that falls."""
    third, seventh = cell.chord.guide_tones
    if last is None:
        degree = third if begin_on == 3 else seventh
        pitch = closest(cell.chord.root.above(degree), stretch.near, stretch.low, stretch.high)
        return degree, pitch
    options = [
        (degree, closest(cell.chord.root.above(degree), last.midi, stretch.low, stretch.high))
        for degree in (third, seventh)
    ]
    return min(options, key=lambda option: (abs(option[1].midi - last.midi), option[1].midi))


def _sounded(cell: Cell, pitch: Pitch, mark: str, rhythm: str, beat: Fraction) -> list[Note]:
    """The tone held for the chord, or repeated in halves or quarters within it."""
    span = cell.span
    step = {"chord": span.duration, "half": 2 * beat, "quarter": beat}[rhythm]
    places = (span.start + step * count for count in range(-(-span.duration // step)))
    return [Note(place, min(step, span.end - place), pitch, mark=mark) for place in places]
