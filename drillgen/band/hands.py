"""What the comping's hands go by: roots below, a tune on top, and nothing beside the line.

The top voice is heard as a tune.  It goes by step in six strokes of ten, stays in a quarter and
goes by a third in the rest; after three alike it moves (common practice; the shares are a
teacher's).  A voicing that was just played is not the next choice.

Common practice: without a bass in the band the pianist's left hand gives each chord its root, or
root and seventh, in the octave from E2; a guitar plays shapes with the root on a low string, a
vibraphone has it lowest.  A line that is itself a bass needs no other in its calls, nor its player
in the answers.  A ballad is played with two hands: root and seventh or root and tenth in the left,
as low as the low interval limits allow; over a bass mostly the seventh or tenth alone, since two
players of one low note blur it.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from random import Random

from quicktions import Fraction

from drillgen.chart import Bar, Chart
from drillgen.drill.sheet import BASSES
from drillgen.lines.pass_context import scale_of
from drillgen.score import Note, Part
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Key, Name, Pitch, in_range
from drillgen.theory.voicings import LOW_INTERVAL_LIMITS, RUB, Setting, Taste

_MOVES = ("step", "stay", "third")
_SHARES = (62, 21, 17)
_STAYS = 3  # strokes: longer it does not stay
_REMEMBERED = 4  # voicings
_AGAIN = 1.6  # semitones of motion: one of the last voicings, the very last apart
_BACK_AGAIN = 3.5  # … the one before the very last
_LONGER = 1.0  # … for each stroke that the top voice has stayed already
_TURNED = 0.25  # of the strokes in which a tune turns round
_BACK = 0.35  # semitones of motion: against the way that it is going
# What a motion of the top voice costs where another is wanted, by semitones.
_COSTS = {
    "step": (4.0, 0.0, 0.0, 1.6, 2.0, 3.6, 5.0, 5.0),
    "stay": (0.0, 1.4, 1.4, 2.6, 3.0, 4.2, 5.0, 5.0),
    "third": (4.0, 1.8, 1.6, 0.0, 0.0, 2.0, 3.6, 3.6),
}


class TopVoice:
    """The top voice so far, and what its player would like next."""

    def __init__(self, random: Random) -> None:
        self._random = random
        self._top: int | None = None
        self._stayed = 0
        self._way = 1
        self._lately: deque[tuple[int, ...]] = deque(maxlen=_REMEMBERED)

    def taste(self) -> Taste:
        """What the next voicing costs for its top."""
        wish = self._random.choices(_MOVES, _SHARES)[0]
        if wish == "stay" and self._stayed >= _STAYS - 1:
            wish = "step"
        way = -self._way if self._random.random() < _TURNED else self._way
        top, costs, stayed = self._top, _COSTS[wish], self._stayed
        before = tuple(self._lately)[:-1]

        def price(keys: tuple[int, ...]) -> float:
            again = _AGAIN if keys in before else 0.0
            again = _BACK_AGAIN if before and keys == before[-1] else again
            if top is None:
                return again
            moved = keys[-1] - top
            again += 0.0 if moved else _LONGER * stayed
            return again + costs[min(abs(moved), 7)] + (_BACK if moved * way < 0 else 0.0)

        return price

    def went(self, keys: tuple[int, ...]) -> None:
        """Tell it what was played."""
        if self._top is not None:
            moved = keys[-1] - self._top
            self._stayed = self._stayed + 1 if moved == 0 else 0
            self._way = self._way if moved == 0 else (1 if moved > 0 else -1)
        self._top = keys[-1]
        if keys in self._lately:
            self._lately.remove(keys)
        self._lately.append(keys)


PIANOS = ("piano", "electric piano")
_LOWEST, _HIGHEST = 40, 51  # MIDI keys of a left hand's roots, E2 to Eb3
_BALLAD = (36, 47)  # … in a ballad, C2 to B2
_VIBRAPHONE = (53, 64)  # from the lowest bar, F3
_SEVENTHS = 0.45  # of the roots that have room for it: with the seventh
_TENTHS = 0.55  # of a ballad's: with the tenth
WITH_THE_BASS = 0.2  # of a ballad's over a bass: with the root that the bass has as well
_OCTAVE = 12
_CLOSEST = 5  # semitones from the root to the right hand, where the limits leave so little


class OwnRoots:
    """Which chords have no root but the comping's."""

    def __init__(self, chart: Chart, line: Part | None) -> None:
        drill = chart.drill
        self._bass = drill.band.bass.plays
        self._line = line is not None and drill.line is not None and drill.line.is_bass
        self._reader = drill.line is not None and drill.line.instrument in BASSES
        self._heard = _by_bar(chart, line.notes) if line is not None and self._line else {}

    def wanted(self, bar: Bar, chord: Chord, start: Fraction, end: Fraction) -> bool:
        """Whether the comping plays a chord's root in the bar that it stands in."""
        if self._bass:
            return False
        if not self._line:
            return True
        if bar.role == "response":
            return not self._reader
        return not any(
            note.pitch.name.pitch_class == chord.bass_name.pitch_class and start <= note.start < end
            for note in self._heard.get(bar.number, ())
        )


def _by_bar(chart: Chart, notes: Sequence[Note]) -> Mapping[int, Sequence[Note]]:
    found: dict[int, list[Note]] = defaultdict(list)
    for note in notes:
        found[chart.bar_at(note.start).number].append(note)
    return found


def zone_of(kind: str, register: tuple[int, int] | None, *, ballad: bool) -> tuple[int, int]:
    """Lowest and highest MIDI key of the roots: an octave."""
    if register is not None:
        return register[0], register[0] + _OCTAVE - 1
    if kind == "vibraphone":
        return _VIBRAPHONE
    return _BALLAD if ballad else (_LOWEST, _HIGHEST)


def low_voices(
    chord: Chord, random: Random, zone: tuple[int, int], kind: str, *, ballad: bool
) -> tuple[Pitch, ...]:
    """A left hand's root, alone or with seventh or tenth."""
    (bass,) = in_range(chord.bass_name, *zone)
    tenth, over = random.random() < _TENTHS, random.random() < _SEVENTHS
    if kind not in PIANOS or (chord.bass is not None and chord.bass != chord.root):
        return (bass,)
    third, seventh = chord.guide_tones
    if ballad:
        upper = [_above(bass, chord, third, _OCTAVE), _above(bass, chord, seventh, 0)]
        upper = upper if tenth else upper[::-1]
    else:
        upper = [_above(bass, chord, seventh, 0)] if over else []
    clear = [each for each in upper if each is not None and _is_clear(bass, each)]
    return (bass, *clear[:1])


def _above(bass: Pitch, chord: Chord, degree: Degree, octave: int) -> Pitch | None:
    if degree.number == 1:
        return None
    name: Name = chord.root.above(degree)
    return Pitch.near(name, bass.midi + degree.semitones % _OCTAVE + octave)


def _is_clear(low: Pitch, high: Pitch) -> bool:
    return low.midi >= LOW_INTERVAL_LIMITS.get(high.midi - low.midi, 0)


def is_clear_over(hand: Sequence[Pitch], voice: Pitch) -> bool:
    """Whether a voice lies above a left hand, and clear of it."""
    return all(low.midi < voice.midi and _is_clear(low, voice) for low in hand)


def lowest_above(hand: Sequence[Pitch], low: int) -> int:
    """The lowest MIDI key of the right hand that sounds clear over a left one."""
    for pitch in hand:
        clear = next(
            gap
            for gap in range(_CLOSEST if pitch is hand[0] else 2, _OCTAVE + 1)
            if all(pitch.midi >= LOW_INTERVAL_LIMITS.get(g, 0) for g in range(gap, _OCTAVE))
        )
        low = max(low, pitch.midi + clear)
    return low


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
        return max(min(near) - self.start, Fraction(0)) if near else self._whole

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
        clear = self._clear(key)
        short = clear is not self._whole and clear < self._least  # the whole is never too short
        if short or _over(self.chord, key) in self._contradicted:
            return RUB
        return _CLOSE * any(other - key == 2 for other, _ in self._met)

    @cached_property
    def _least(self) -> Fraction:
        return min(self._whole, _LEAST * self.beat)

    @cached_property
    def _whole(self) -> Fraction:
        """How long the stroke lasts."""
        return self.end - self.start

    def _clear(self, key: int) -> Fraction:
        """From the stroke's start to the first note that a key rubs against."""
        clear = [start for other, start in self._met if _rub(self.chord, key, other)]
        return max(min(clear) - self.start, Fraction(0)) if clear else self._whole

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
        self._by_bar = _in_bars(chart, line.notes if line is not None else ())
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


def _in_bars(chart: Chart, notes: Sequence[Note]) -> Mapping[int, Sequence[Note]]:
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
