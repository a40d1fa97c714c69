"""What the drummer hears of the others: the comping's strokes and the line's rests."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from drillgen.chart import Bar, Chart
from drillgen.score import Note, Part

# How readily a drummer comments, by what the line does in a bar (common practice: one answers).
_FREE, _OPEN, _BUSY = 1.25, 1.0, 0.65
_MANY = Fraction(5, 4)  # notes a beat: from here on a line is busy

Places = tuple[Fraction, ...]


@dataclass(frozen=True, slots=True)
class Hearing:
    """By number of the bar, where others begin notes: quarter notes from the barline."""

    beat: Fraction
    chords: Mapping[int, Places]
    line: Mapping[int, Places] | None  # None: there is no line

    @classmethod
    def of(cls, chart: Chart, chords: Part | None, line: Part | None) -> Hearing:
        return cls(
            chart.drill.meter.beat,
            _places(chart, chords.notes if chords else ()),
            _places(chart, line.notes) if line else None,
        )

    def pushes(self, bar: Bar) -> Places:
        """Strokes of the comping off the beat."""
        return tuple(place for place in self.chords.get(bar.number, ()) if place % self.beat)

    def with_chords(self, bar: Bar, place: Fraction) -> bool:
        return place in self.chords.get(bar.number, ())

    def with_line(self, bar: Bar, place: Fraction) -> bool:
        return self.line is not None and place in self.line.get(bar.number, ())

    def room(self, bar: Bar) -> float:
        """How much room for comments a bar leaves: 1 where the line is neither silent nor busy."""
        if self.line is None:
            return _OPEN
        notes = len(self.line.get(bar.number, ()))
        if not notes:
            return _FREE
        return _BUSY if notes * self.beat >= _MANY * bar.length else _OPEN


def _places(chart: Chart, notes: Iterable[Note]) -> dict[int, Places]:
    found: dict[int, list[Fraction]] = defaultdict(list)
    for note in notes:
        bar = chart.bar_at(note.start)
        place = note.start - bar.start
        if not found[bar.number] or found[bar.number][-1] != place:
            found[bar.number].append(place)
    return {number: tuple(places) for number, places in found.items()}
