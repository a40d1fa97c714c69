"""What the line plays beside the comping: the scale it gives to a chord, and which voices rub."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property, lru_cache

from drillgen.chart import Bar, Chart
from drillgen.lines.tones import scale_of
from drillgen.score import Note, Part
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Key, Pitch
from drillgen.theory.voicings import RUB, Setting

# Common practice of accompaniment: line, voicing and symbol use one scale, so that a chord which
# the teacher had played altered is comped altered. No voice lies a semitone from a note of the
# melody that sounds with it for longer than in passing; what the symbol leaves to the player makes
# no minor ninth with it either (a dominant's root apart), and no tension contradicts it: no b13
# beside its fifth, no 9 beside its b9, no 11 beside its third. The highest voice keeps a whole tone
# below it, too, where it can. A voice that the melody comes to later is let go there.
#
# Where a call is answered over the same bars again, the answer is met as the call was.

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
        where it would hardly be heard otherwise, but never beside a semitone."""
        clear = self._clear(pitch.midi)
        return clear if clear >= self._least else self.until_a_semitone(pitch)

    def until_a_semitone(self, pitch: Pitch) -> Fraction:
        """From the stroke's start to the first note that lies a semitone away; to the stroke's end
        where there is none."""
        near = [start for other, start in self._met if abs(other - pitch.midi) == 1]
        return max(min(near) - self.start, Fraction(0)) if near else self.end - self.start

    def clear_of_semitones(self, voices: Sequence[Pitch], low: int, high: int) -> list[Pitch]:
        """The same voices, one that lies a semitone beside the melody from the start in another
        octave, or left out where there is none."""
        found: list[Pitch] = []
        for pitch in voices:
            for octave in (0, 1, -1):
                other = Pitch(pitch.name, pitch.octave + octave)
                inside = not octave or low <= other.midi <= high
                if inside and other not in voices and self._starts_clear(other):
                    found.append(other)
                    break
                if not octave and self._starts_clear(pitch):
                    found.append(pitch)
                    break
        return sorted(found, key=lambda pitch: pitch.midi)

    def _starts_clear(self, pitch: Pitch) -> bool:
        return self.until_a_semitone(pitch) >= min(self._least, PASSING * self.beat)

    def rubs(self, pitch: Pitch) -> float:
        """What a voice costs here, in semitones of motion: `RUB` where it should not sound."""
        key = pitch.midi
        if self._clear(key) < self._least or _over(self.chord, key) in self._contradicted:
            return RUB
        return _CLOSE * any(other - key == 2 for other, _ in self._met)

    @cached_property
    def _least(self) -> Fraction:
        return min(self.end - self.start, _LEAST * self.beat)

    def _clear(self, key: int) -> Fraction:
        """From the stroke's start to the first note that a key rubs against."""
        clear = [start for other, start in self._met if _rub(self.chord, key, other)]
        return max(min(clear) - self.start, Fraction(0)) if clear else self.end - self.start

    @cached_property
    def _met(self) -> tuple[tuple[int, Fraction], ...]:
        """Key and start of each note that sounds with the stroke for longer than in passing."""
        passing = PASSING * self.beat
        return tuple(
            (each.pitch.midi, each.start)
            for each in self.notes
            if min(each.start + each.duration, self.end) - max(each.start, self.start) > passing
        )

    @cached_property
    def _contradicted(self) -> frozenset[int]:
        """Tensions that the melody contradicts while the chord lasts; its last note may already
        lead elsewhere."""
        played = [each for each in self.through if each.mark != "approach"]
        if played and _over(self.chord, played[-1].pitch.midi) not in _own(self.chord):
            played.pop()
        passing = PASSING * self.beat
        melody = {_over(self.chord, n.pitch.midi) for n in played if n.duration > passing}
        return _contradicting(self.chord, frozenset(melody))


@lru_cache(maxsize=65536)
def _rub(chord: Chord, key: int, other: int) -> bool:
    """Whether a voice of a chord and a note of the melody rub, as MIDI keys."""
    low, high = sorted((key, other))
    if high - low == 1:
        return True
    voice = _over(chord, key)
    if voice in _named(chord):
        return False
    ninth = (high - low) % 12 == 1 and not (chord.is_dominant and _over(chord, low) == 0)
    return ninth or _contradicts(chord, voice, _over(chord, other))


def _over(chord: Chord, key: int) -> int:
    """Semitones over the root."""
    return (key - chord.root.pitch_class) % 12


@lru_cache(maxsize=4096)
def _contradicting(chord: Chord, melody: frozenset[int]) -> frozenset[int]:
    """The sounds that any of a melody's contradicts, all in semitones over the root."""
    return frozenset(
        voice for voice in range(12) if any(_contradicts(chord, voice, each) for each in melody)
    )


def _contradicts(chord: Chord, voice: int, melody: int) -> bool:
    own = _own(chord)
    if voice in own or (voice - melody) % 12 not in (1, 11):
        return False
    return melody not in own or (voice, melody) in _AGAINST_THE_CHORD


@lru_cache(maxsize=1024)
def _own(chord: Chord) -> frozenset[int]:
    """The chord's own sounds."""
    return frozenset(degree.semitones % 12 for degree in chord.played)


@lru_cache(maxsize=1024)
def _named(chord: Chord) -> frozenset[int]:
    """What the symbol asks to be heard: third, seventh and whatever else it names."""
    telling = [d for d in chord.played if d.number > 7 or (d.number == 5 and d.alter)]
    return frozenset(d.semitones % 12 for d in (*chord.guide_tones, *telling))


class Heard:
    """A line through its track, as the student hears it or gives it back."""

    def __init__(self, chart: Chart, line: Part | None) -> None:
        self._chart = chart
        self._by_bar = _by_bar(chart, line.notes if line is not None else ())
        options = chart.drill.line
        self._scales = options.chosen_scales if options else ()

    def setting(self, chord: Chord, key: Key, leads_to: Chord | None = None) -> Setting:
        """The key that a chord is voiced in, or its scale where the teacher chose one, or where the
        chord that it leads to decides."""
        if not self._scales and not (leads_to and chord.is_dominant):
            return key
        return scale_of(chord, key, self._chart.drill.key, self._scales, leads_to)

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
