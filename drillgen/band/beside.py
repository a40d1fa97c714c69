"""What the line plays beside the comping: the scale that it gives to a chord, and which voices rub.

Common practice of accompaniment: line, voicing and symbol use one scale, so that a chord which the
teacher had played altered is comped altered.  No voice lies a semitone from a note of the melody
that sounds with it for longer than in passing; what the symbol leaves to the player makes no minor
ninth with it either (a dominant's root apart), and no tension contradicts it: no b13 beside its
fifth, no 9 beside its b9, no 11 beside its third.  The highest voice keeps a whole tone below it,
too, where it can.  A voice that the melody comes to later is let go there.

Where a call is answered over the same bars again, the answer is met as the call was.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

from drillgen.chart import Bar, Chart
from drillgen.drill.lines import Enclosure, ScalePattern
from drillgen.lines.scale_tones import scale_of
from drillgen.score import Note, Part
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Pitch
from drillgen.theory.styles import RUB
from drillgen.theory.voicings import Setting

PASSING = Fraction(3, 10)  # beats that two notes may sound together in passing
_CLOSE = 0.6  # semitones of motion: a whole tone below the melody
_LEAST = Fraction(1, 2)  # beats that a voice sounds before it is let go
# A dominant's tensions against its own tones, in semitones over the root: b13 and 5, 11 and 3.
_AGAINST_THE_CHORD = ((8, 7), (5, 4))


@dataclass(frozen=True)
class Beside:
    """A stroke of the comping, and the line's notes around it."""

    chord: Chord
    start: Fraction  # quarter notes, as everywhere
    end: Fraction
    beat: Fraction
    notes: tuple[Note, ...]  # that begin before the stroke ends and end after it begins
    through: tuple[Note, ...]  # that are played through the chord

    def lasts(self, pitch: Pitch) -> Fraction:
        """How long a voice may sound: to the first note that it rubs against; to the stroke's end
        where it would hardly be heard otherwise."""
        clear = self._clear(pitch.midi)
        return clear if clear >= self._least else self.end - self.start

    def rubs(self, pitch: Pitch) -> float:
        """What a voice costs here, in semitones of motion: `RUB` where it should not sound."""
        if self._clear(pitch.midi) < self._least or self._over(pitch.midi) in self._contradicted:
            return RUB
        close = (each.pitch.midi - pitch.midi == 2 and self._meets(each) for each in self.notes)
        return _CLOSE * any(close)

    @property
    def _least(self) -> Fraction:
        return min(self.end - self.start, _LEAST * self.beat)

    def _clear(self, key: int) -> Fraction:
        rubbing = (each.start for each in self.notes if self._rub(key, each) and self._meets(each))
        return max(min(rubbing, default=self.end) - self.start, Fraction(0))

    def _meets(self, note: Note) -> bool:
        """Whether a note sounds with the stroke for longer than in passing."""
        together = min(note.start + note.duration, self.end) - max(note.start, self.start)
        return together > PASSING * self.beat

    def _rub(self, key: int, note: Note) -> bool:
        low, high = sorted((key, note.pitch.midi))
        if high - low == 1:
            return True
        voice = self._over(key)
        ninth = (high - low) % 12 == 1 and not (self.chord.is_dominant and self._over(low) == 0)
        if voice in self._named:
            return False
        return ninth or self._contradicts(voice, self._over(note.pitch.midi))

    def _over(self, key: int) -> int:
        """Semitones over the root."""
        return (key - self.chord.root.pitch_class) % 12

    def _contradicts(self, voice: int, melody: int) -> bool:
        if voice in self._own or (voice - melody) % 12 not in (1, 11):
            return False
        return melody not in self._own or (voice, melody) in _AGAINST_THE_CHORD

    @cached_property
    def _own(self) -> frozenset[int]:
        """The chord's own sounds."""
        return frozenset(degree.semitones % 12 for degree in self.chord.played)

    @cached_property
    def _named(self) -> frozenset[int]:
        """What the symbol asks to be heard: third, seventh and whatever else it names."""
        telling = [d for d in self.chord.played if d.number > 7 or (d.number == 5 and d.alter)]
        return frozenset(d.semitones % 12 for d in (*self.chord.guide_tones, *telling))

    @cached_property
    def _contradicted(self) -> frozenset[int]:
        """Tensions that the melody contradicts while the chord lasts; its last note may already
        lead elsewhere."""
        played = [each for each in self.through if each.mark != "approach"]
        if played and self._over(played[-1].pitch.midi) not in self._own:
            played.pop()
        melody = {self._over(n.pitch.midi) for n in played if n.duration > PASSING * self.beat}
        return frozenset(
            voice for voice in range(12) if any(self._contradicts(voice, m) for m in melody)
        )


class Heard:
    """A line through its track, as the student hears it or gives it back."""

    def __init__(self, chart: Chart, line: Part | None) -> None:
        self._chart = chart
        self._by_bar = _by_bar(chart, line.notes if line is not None else ())
        options = chart.drill.line
        self._scales = options.scales if isinstance(options, ScalePattern | Enclosure) else ()

    def setting(self, chord: Chord, key: Key) -> Setting:
        """The key that a chord is voiced in, or the scale that the teacher chose for the chord."""
        if not self._scales:
            return key
        return scale_of(chord, key, self._chart.drill.key, self._scales)

    def beside(
        self, chord: Chord, stroke: tuple[Fraction, Fraction], span: tuple[Fraction, Fraction]
    ) -> Beside:
        """What is played beside a stroke, and through the span of the chord that it plays."""
        notes = tuple(self._during(*stroke))
        through = tuple(each for each in self._during(*span) if each.start >= span[0])
        return Beside(chord, *stroke, self._chart.drill.meter.beat, notes, through)

    def _during(self, start: Fraction, end: Fraction) -> Iterator[Note]:
        """The notes that sound between two places, in order."""
        first, last = self._chart.bar_at(start), self._chart.bar_at(end)
        for bar in self._chart.bars[first.number : last.number + 1]:
            for note in self._by_bar.get(bar.number, ()):
                held_over = bar is not first and note.start < bar.start
                if not held_over and note.start < end and note.start + note.duration > start:
                    yield note


def _by_bar(chart: Chart, notes: Sequence[Note]) -> Mapping[int, Sequence[Note]]:
    """The notes that sound in each bar; in a response those of its call, later."""
    found: dict[int, list[Note]] = defaultdict(list)
    for note in sorted(notes, key=lambda each: each.start):
        for bar in _from(chart, chart.bar_at(note.start)):
            if bar.start >= note.start + note.duration:
                break
            found[bar.number].append(note)
    for response, call in _answers(chart):
        found[response.number] = [
            replace(note, start=max(note.start, call.start) + response.start - call.start)
            for note in found.get(call.number, ())
        ]
    return found


def _from(chart: Chart, bar: Bar) -> Iterator[Bar]:
    return (chart.bars[number] for number in range(bar.number, len(chart.bars)))


def _answers(chart: Chart) -> Iterator[tuple[Bar, Bar]]:
    """Each response that repeats its call, and that call's bar."""
    gaps = chart.drill.gaps
    if gaps is None or gaps.harmony != "repeats":
        return
    calls: dict[tuple[int, int], Bar] = {}
    for bar in chart.bars:
        place = (bar.pass_number, bar.form_bar)
        if bar.role == "call":
            calls[place] = bar
        elif bar.role == "response" and place in calls:
            yield bar, calls[place]
