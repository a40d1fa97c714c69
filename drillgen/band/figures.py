"""Bass figures: places in a bar, each with the degree that stands there.

"R:1- 5:2& 5:3- N:4&" is the bass of a bossa nova: root, fifth, fifth, and the next chord's root
ahead of the barline.  Degrees: R the root (or the slash bass), 3, 5, 6 (or the seventh where the
chord has no sixth), 8 the root in another octave, N the root of the next chord.  Places are written
as in every pattern.  Common practice: every chord is begun on its root whatever the figure says; a
slash bass is obeyed, and a bass note that stays under several chords (a pedal point) is not left.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

from drillgen.band.choices import drawn, remembering
from drillgen.band.feel import Feel
from drillgen.band.patterns import Stroke, bar_of, bars_of, goes_on, read_stroke
from drillgen.band.room import after, plays
from drillgen.band.sides import counted
from drillgen.chart import Bar, Chart
from drillgen.drill.models import Meter
from drillgen.lines.stretch import Cell, Stretch, closest
from drillgen.score import Note
from drillgen.theory.pitch import Name, Pitch

_WORD = re.compile(r"(\()?([RN3568]):(.+)")
_GHOST_LEVEL = -5.0  # dB: a skipped note leads the ear to the next one
_BELOW = 3  # semitones: the answer is looked for under the root first
_OCTAVE = 12
_HIGHEST_OCTAVE = 50  # MIDI key: above D3 a bass gets in the way of the chords


@dataclass(frozen=True, slots=True)
class Word:
    """One note of a figure."""

    degree: str  # R, 3, 5, 6, 8 or N
    stroke: Stroke


@lru_cache(maxsize=1024)
def words(bar: str, meter: Meter) -> tuple[Word, ...]:
    """Read one bar of a figure.  Raises ValueError where it cannot be read."""
    return tuple(_word(text, meter) for text in bar.split())


def _word(text: str, meter: Meter) -> Word:
    found = _WORD.fullmatch(text)
    if not found:
        raise ValueError(f"not a note of a figure: {text!r}")
    return Word(found[2], read_stroke((found[1] or "") + found[3], meter))


def played(chart: Chart, room: Stretch, feel: Feel) -> list[Note]:
    """The stretch in figures of the feel, one note at a time."""
    notes: list[Note] = []
    pattern: str | None = None
    for bar in room.bars:
        pattern = _figure(chart, bar, room, feel, pattern)
        text = bar_of(pattern, counted(chart, bar))
        notes += _bar(chart, bar, room, words(text, chart.drill.meter))
    return _cut_short(notes)


def _figure(chart: Chart, bar: Bar, room: Stretch, feel: Feel, last: str | None) -> str:
    """A figure by density: at 0 the plainest ones only, at 1 the fuller ones twice as often."""
    if last is not None and goes_on(last, counted(chart, bar)):
        return last
    weights = feel.two_beat.at(float(bar.tempo))
    density = chart.drill.band.bass.density
    fewest = min(_busy(pattern) for pattern in weights)
    by_density = {
        pattern: weight * (1.0 if _busy(pattern) == fewest else 2 * density)
        for pattern, weight in weights.items()
    }
    return drawn(room.random, remembering(by_density, last))


def _busy(pattern: str) -> float:
    """Notes a bar."""
    return len(pattern.replace("|", " ").split()) / len(bars_of(pattern))


def _bar(chart: Chart, bar: Bar, room: Stretch, figure: Sequence[Word]) -> Iterator[Note]:
    inside = [cell for cell in room.cells if bar.start <= cell.span.start < bar.end]
    crowded = any(cell.span.duration < chart.drill.meter.beat for cell in inside)
    leads_on = _goes_on_after(chart, bar)
    for number, cell in enumerate(inside):
        begun = False
        ahead = leads_on or number + 1 < len(inside)
        for word in figure:
            place = bar.start + word.stroke.place
            if not cell.span.start <= place < cell.span.end:
                continue
            at_start = place == cell.span.start
            begun = begun or at_start
            if at_start or not (crowded or _held_over(cell, place, room.beat)):
                yield _note(cell, room, word, place, at_start, ahead)
        if not begun:
            yield _held(cell.span.start, cell, _root(cell, room))


def _held_over(cell: Cell, place: Fraction, beat: Fraction) -> bool:
    """Whether a chord that begins between the beats is still held at a place: into the next beat,
    as in walking."""
    return bool((cell.span.start - cell.bar_start) % beat) and place - cell.span.start < beat


def _goes_on_after(chart: Chart, bar: Bar) -> bool:
    """Whether the bass plays on after a bar, so that it may lead into what follows."""
    following = after(chart, bar)
    return following is not None and plays(chart, following, "bass")


def _note(
    cell: Cell, room: Stretch, word: Word, place: Fraction, at_start: bool, ahead: bool
) -> Note:
    degree = "R" if at_start or (word.degree == "N" and not ahead) else word.degree
    touch = word.stroke.touch
    ends = cell.span.end
    length = {"short": room.beat / 2, "ghost": room.beat / 2}.get(touch, ends - place)
    pitch = _pitch(cell, room, degree)
    level = _GHOST_LEVEL if touch == "ghost" else 0.0
    mark = "approach" if degree == "N" else ""
    return Note(place, min(length, ends - place), pitch, "short" if level else touch, level, mark)


def _held(place: Fraction, cell: Cell, pitch: Pitch) -> Note:
    return Note(place, cell.span.end - place, pitch, "held")


def _pitch(cell: Cell, room: Stretch, degree: str) -> Pitch:
    root = _root(cell, room)
    if degree == "N" and cell.following:
        return closest(cell.following[0].bass_name, root.midi, room.low, room.high)
    if degree == "8":
        other = root.midi + (_OCTAVE if root.midi + _OCTAVE <= _HIGHEST_OCTAVE else -_OCTAVE)
        return Pitch.near(root.name, other) if room.low <= other <= room.high else root
    if degree in "RN" or _is_pedal(cell, room):
        return root
    return closest(_tone(cell, int(degree)), root.midi - _BELOW, room.low, room.high)


def _tone(cell: Cell, number: int) -> Name:
    """The chord's own third, fifth, or sixth (its seventh where it has none); never its bass."""
    chord = cell.chord
    degree = {
        3: chord.degree(3) or chord.fifth,
        5: chord.fifth,
        6: chord.degree(6) or chord.degree(7) or chord.fifth,
    }[number]
    name = chord.root.above(degree)
    return chord.root if name == chord.bass_name else name


def _is_pedal(cell: Cell, room: Stretch) -> bool:
    """A slash bass that the chord before or after stands on, too."""
    if cell.chord.bass is None:
        return False
    index = room.cells.index(cell)
    before = room.cells[index - 1].chord if index else None
    beside = [before, cell.following[0] if cell.following else None]
    return any(
        other is not None and other != cell.chord and other.bass_name == cell.chord.bass_name
        for other in beside
    )


def _root(cell: Cell, room: Stretch) -> Pitch:
    return closest(cell.chord.bass_name, room.near, room.low, room.high)


def _cut_short(notes: list[Note]) -> list[Note]:
    """One note at a time: each ends where the next begins."""
    notes = sorted(notes, key=lambda note: note.start)
    cut = [_ended(note, after.start) for note, after in pairwise(notes)]
    return [*cut, *notes[-1:]]


def _ended(note: Note, end: Fraction) -> Note:
    length = min(note.duration, end - note.start)
    return Note(note.start, length, note.pitch, note.touch, note.level, note.mark)
