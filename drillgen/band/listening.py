"""Where the line leaves room: it rests or holds, or it moves."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from fractions import Fraction

from drillgen.band.feel import PatternStroke
from drillgen.chart import Bar, Chart
from drillgen.score import Part

_ROOM = 2.0  # how much likelier a stroke is where the line rests or holds a note for a beat already
_IN_THE_WAY = 0.3  # … where it strikes a note within a quarter of a beat of it, and moves on


class Listening:
    """What the comping hears of the line."""

    def __init__(self, chart: Chart, line: Part | None) -> None:
        notes = sorted(line.notes, key=lambda note: note.start) if line is not None else []
        self._starts = [note.start for note in notes]
        self._notes = notes
        self._beat = chart.drill.meter.beat
        self._known: dict[Fraction, float] = {}  # how well a stroke lies at a place

    def room(self, bar: Bar, placed: Sequence[tuple[PatternStroke, int]]) -> float:
        """How well a bar's strokes lie beside the line."""
        if bar.role == "response" or not self._notes:
            return 1.0
        weight = 1.0
        for stroke, _ in placed:
            place = bar.start + stroke.place
            if place not in self._known:
                self._known[place] = self._at(place)
            weight *= self._known[place]
        return weight

    def _at(self, place: Fraction) -> float:
        index = bisect_right(self._starts, place + self._beat / 4) - 1
        if index < 0:
            return _ROOM
        note = self._notes[index]
        if place - note.start >= self._beat:
            return _ROOM
        moves = note.duration <= self._beat
        return _IN_THE_WAY if moves and abs(place - note.start) <= self._beat / 4 else 1.0
