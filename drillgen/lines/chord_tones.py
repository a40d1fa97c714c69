"""Filling time with chord tones in eighths, from one note towards another."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from drillgen.lines.stretch import Stretch, closest
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Pitch, in_range

_EIGHTH = Fraction(1, 2)  # quarter notes
_SAME_NOTE = 8  # semitones: what it costs to end on the very note that comes next


@dataclass(frozen=True, slots=True)
class Filler:
    """Climbs or falls through the chord tones of a stretch, turning once where that ends nearer
    to what follows, and at the ends of the range."""

    stretch: Stretch

    def lead_in(self, start: Fraction, end: Fraction, aim: Pitch) -> Iterator[Note]:
        """From the root of the chord there; nothing where there is no time."""
        chord = self._chord(start)
        if start < end and chord is not None:
            stretch = self.stretch
            root = closest(chord.bass_name, stretch.near, stretch.low, stretch.high)
            yield Note(start, min(_EIGHTH, end - start), root, mark="1")
            yield from self.between(root, start + _EIGHTH, end, aim)

    def between(self, last: Pitch, start: Fraction, end: Fraction, aim: Pitch) -> Iterator[Note]:
        """Eighths from `start` to `end`, the last of them close to `aim`."""
        places = [start + _EIGHTH * index for index in range(-((start - end) // _EIGHTH))]
        ways = [
            self._way(last, places, sets_out, turn)
            for turn in range(len(places), 0, -1)
            for sets_out in (1, -1)
        ]
        best = min(ways, key=lambda way: abs(way[-1].midi - aim.midi) or _SAME_NOTE, default=[])
        for place, pitch in zip(places, best, strict=True):
            yield Note(place, min(_EIGHTH, end - place), pitch, mark="")

    def _way(self, last: Pitch, places: list[Fraction], way: int, turn: int) -> list[Pitch]:
        """Chord tones one after another, the other way round from the `turn`th on."""
        found: list[Pitch] = []
        for index, place in enumerate(places):
            way = -way if index == turn else way
            following = self._next(last, place, way) or self._next(last, place, -way)
            last = following or last
            found.append(last)
        return found

    def _next(self, last: Pitch, place: Fraction, way: int) -> Pitch | None:
        """The chord tone next above (way 1) or below (-1) within the range."""
        chord = self._chord(place)
        low, high = (
            (last.midi + 1, self.stretch.high) if way > 0 else (self.stretch.low, last.midi - 1)
        )
        tones = [
            pitch
            for name in (chord.names[:4] if chord else ())
            for pitch in in_range(name, low, high)
        ]
        return min(tones, key=lambda pitch: abs(pitch.midi - last.midi), default=None)

    def _chord(self, place: Fraction) -> Chord | None:
        spans = (cell.span for cell in self.stretch.cells)
        return next((span.chord for span in spans if span.start <= place < span.end), None)
