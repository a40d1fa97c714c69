"""Melodies as text: notes with their rhythm, bar by bar.

    5,:e | 1:q b3 4:e 5~ | 5:h r:q.

A note is a degree of the tonic (`1 b3 #4 5,`) or a name with its sounding octave (`D2 F#2`), one
way throughout; `r` is a rest.  Its length stands behind a colon and goes on until it changes; the
first is a quarter.  `~` ties to the next note, also over the bar line.  `|` (and the end of a line)
divides bars, which must add up to the meter; `%` repeats the bar before.

A pick-up is a short first bar for which the last bar leaves room: together they make one bar, so
that the melody can go round.  It is not counted when bars are numbered (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from drillgen.drill.meter import Meter
from drillgen.drill.notation import ScaleNote
from drillgen.drill.problems import RefusedError, Wrong
from drillgen.theory.pitch import Pitch

Tone = ScaleNote | Pitch
MAX_BARS = 128


@dataclass(frozen=True, slots=True)
class Event:
    """A note, or a rest where `tone` is None."""

    tone: Tone | None
    start: Fraction  # quarter notes from its bar's start
    duration: Fraction  # quarter notes
    tied: bool  # to the next event
    offset: int  # where it stands in the text


@dataclass(frozen=True, slots=True)
class MelodyBar:
    """What stands between two bar lines."""

    events: tuple[Event, ...]

    @property
    def length(self) -> Fraction:
        """Quarter notes."""
        return sum((event.duration for event in self.events), Fraction(0))


@dataclass(frozen=True, slots=True)
class Melody:
    """The bars of a melody, a pick-up first where it has one."""

    bars: tuple[MelodyBar, ...]
    text: str = ""

    @property
    def tones(self) -> tuple[Tone, ...]:
        """Every note in order, tied ones as often as they are written."""
        return tuple(event.tone for bar in self.bars for event in bar.events if event.tone)

    def pickup(self, bar: Fraction) -> Fraction:
        """The length of its pick-up, where a whole bar has `bar` quarter notes; 0 without one."""
        first, last = self.bars[0].length, self.bars[-1].length
        return first if first < bar and len(self.bars) > 1 and first + last == bar else Fraction(0)

    def check(self, meter: Meter) -> None:
        """Raises RefusedError where bars do not add up to the meter."""
        pickup = self.pickup(meter.bar)
        whole = self.bars[1:-1] if pickup else self.bars  # the two short ones make one
        wrongs = [
            Wrong(
                f"bar {number} adds up to {_quarters(bar.length)}",
                f"{_quarters(meter.bar)} in {meter}{self._or_pickup(number, meter)}",
                offset=bar.events[0].offset,
            )
            for number, bar in enumerate(whole, 1)
            if bar.length != meter.bar
        ]
        if wrongs:
            raise RefusedError(wrongs)

    def _or_pickup(self, number: int, meter: Meter) -> str:
        short = number == 1 and len(self.bars) > 1 and self.bars[0].length < meter.bar
        return ", or a pick-up for which the last bar leaves room" if short else ""


def _quarters(length: Fraction) -> str:
    """'1 quarter note', '3 1/2 quarter notes'."""
    whole, part = divmod(length, 1)
    number = f"{whole or ''} {part or ''}".strip() or "0"
    return f"{number} quarter note{'' if length <= 1 else 's'}"
