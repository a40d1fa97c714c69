"""Bass: roots, two-beat, or walking.

Common practice: roots are held as written, slash basses obeyed; in two, the feel's own figures are
played (`figures.py`): root and fifth with a skipped eighth now and then in swing, the bossa nova's
and the samba's own rhythm there.  A feel that does not walk refuses `walking` when it is read.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from drillgen.band import figures
from drillgen.band.feel import feel
from drillgen.band.pedal import with_pedals
from drillgen.band.room import after, bass_ceiling, runs
from drillgen.chart import Chart
from drillgen.drill.instruments import BASSES, INSTRUMENTS
from drillgen.drill.lines import Walking
from drillgen.lines.stretch import Cell, Stretch, Track, cells, closest
from drillgen.lines.walking import walk
from drillgen.score import Note, Part
from drillgen.theory.pitch import Pitch

INSTRUMENT = "upright"
_LOW_START = 8  # semitones above the lowest note: where a bass player begins
_UNDER_A_LINE = 4  # … under a line on a bass: from E1 to Eb2, below most of it


def bass(chart: Chart) -> Part | None:
    """The bass part of a track; None where it is off."""
    spec = chart.drill.band.bass
    if spec.kind == "off":
        return None
    instrument = INSTRUMENTS[INSTRUMENT]
    low, high = spec.register or (
        instrument.low.midi,
        bass_ceiling(chart, instrument.low.midi, instrument.high.midi),
    )
    players = {"roots": _roots, "two-beat": _two_beat, "walking": _walking}
    line = chart.drill.line
    start = _UNDER_A_LINE if line is not None and line.instrument in BASSES else _LOW_START
    random, track = Random(f"{chart.drill.luck} bass"), Track()
    notes: list[Note] = []
    for bars in runs(chart, "bass"):
        found = tuple(cells(bars, after(chart, bars[-1])))
        room = Stretch(
            bars, found, chart.drill.meter.beat, low, high, low + start, random, track=track
        )
        notes += players[spec.kind](chart, room)
    notes += _ending(chart, low, high, low + start, track)
    return Part("bass", INSTRUMENT, tuple(notes))


def _walking(chart: Chart, room: Stretch) -> list[Note]:
    notes = walk(room, Walking(kind="walking"), after(chart, room.bars[-1]))
    return list(with_pedals(notes, room.cells))


def _roots(chart: Chart, room: Stretch) -> list[Note]:
    return [
        Note(cell.span.start, cell.span.duration, _root(cell, room), "held") for cell in room.cells
    ]


def _root(cell: Cell, room: Stretch) -> Pitch:
    return closest(cell.chord.bass_name, room.near, room.low, room.high)


def _two_beat(chart: Chart, room: Stretch) -> list[Note]:
    return figures.played(chart, room, feel(chart.drill.feel, chart.drill.meter))


def _ending(chart: Chart, low: int, high: int, near: int, track: Track) -> Iterator[Note]:
    """The last chord's bass, held, where a bass that walks was led to."""
    final = chart.ending
    if final and final[0].spans[0].chord is not None:
        chord = final[0].spans[0].chord
        pitch = track.led.get(final[0].number) or closest(chord.bass_name, near, low, high)
        yield Note(final[0].start, final[-1].end - final[0].start, pitch, "held")
