"""Bass: roots, two-beat, or walking.

Common practice: in two, the root answers its fifth on the other half of the bar, with an eighth
note skipped in before a strong beat now and then; slash basses are played as written.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from drillgen.band.feel import Feel, feel
from drillgen.band.patterns import strokes
from drillgen.band.room import after, runs
from drillgen.chart import Chart
from drillgen.drill.instruments import INSTRUMENTS
from drillgen.drill.lines import Walking
from drillgen.lines.stretch import Cell, Stretch, cells, closest
from drillgen.lines.walking import walk
from drillgen.score import Note, Part
from drillgen.theory.pitch import Pitch

INSTRUMENT = "upright"
_LOW_START = 8  # semitones above the lowest note: where a bass player begins
_SKIP_LEVEL = -5.0  # dB


def bass(chart: Chart) -> Part | None:
    """The bass part of a track; None where it is off."""
    spec = chart.drill.band.bass
    if spec.kind == "off":
        return None
    instrument = INSTRUMENTS[INSTRUMENT]
    low, high = spec.register or (instrument.low.midi, instrument.high.midi)
    players = {"roots": _roots, "two-beat": _two_beat, "walking": _walking}
    random = Random(f"{chart.drill.seed} bass")
    notes: list[Note] = []
    for bars in runs(chart, "bass"):
        found = tuple(cells(bars, after(chart, bars[-1])))
        room = Stretch(bars, found, chart.drill.meter.beat, low, high, low + _LOW_START, random)
        notes += players[spec.kind](chart, room)
    notes += _ending(chart, low, high)
    return Part("bass", INSTRUMENT, tuple(notes))


def _walking(chart: Chart, room: Stretch) -> list[Note]:
    return walk(room, Walking(kind="walking"))


def _roots(chart: Chart, room: Stretch) -> list[Note]:
    return [
        Note(cell.span.start, cell.span.duration, _root(cell, room), "held") for cell in room.cells
    ]


def _root(cell: Cell, room: Stretch) -> Pitch:
    return closest(cell.chord.bass_name, room.near, room.low, room.high)


def _two_beat(chart: Chart, room: Stretch) -> list[Note]:
    played = feel(chart.drill.feel, chart.drill.meter)
    notes: list[Note] = []
    for cell in room.cells:
        notes += _in_two(chart, cell, room, played)
    return _cut_short(notes)


def _in_two(chart: Chart, cell: Cell, room: Stretch, played: Feel) -> Iterator[Note]:
    """The root where the chord begins, the fifth on the answering beat, a skip before the next."""
    span, root = cell.span, _root(cell, room)
    yield Note(span.start, span.duration, root, "held")
    fifth = closest(cell.chord.root.above(cell.chord.fifth), root.midi - 3, room.low, room.high)
    answer = strokes(played.two_beat.answer, chart.drill.meter)[0].place + cell.bar_start
    if span.start < answer < span.end:
        yield Note(answer, span.end - answer, fifth, "held")
    if room.random.random() < chart.drill.band.bass.density / 2:
        skip = strokes(played.two_beat.skips.draw(room.random), chart.drill.meter)[0]
        place = cell.bar_start + skip.place
        if span.start < place < span.end and place != answer:
            pitch = root if place > answer else fifth
            yield Note(place, chart.drill.meter.beat / 2, pitch, "short", _SKIP_LEVEL)


def _cut_short(notes: list[Note]) -> list[Note]:
    """One note at a time: each ends where the next begins."""
    notes = sorted(notes, key=lambda note: note.start)
    cut = []
    for index, note in enumerate(notes):
        following = notes[index + 1].start if index + 1 < len(notes) else note.start + note.duration
        length = min(note.duration, following - note.start)
        cut.append(Note(note.start, length, note.pitch, note.touch, note.level, note.mark))
    return cut


def _ending(chart: Chart, low: int, high: int) -> Iterator[Note]:
    final = [bar for bar in chart.bars if bar.role == "ending"]
    if final and final[0].spans[0].chord is not None:
        chord = final[0].spans[0].chord
        pitch = closest(chord.bass_name, low + _LOW_START, low, high)
        yield Note(final[0].start, final[-1].end - final[0].start, pitch, "held")
