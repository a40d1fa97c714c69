"""Which notes the comping plays: by instrument, tempo, density and harmony, under the line.

Common practice: rootless voicings at moderate tempos, three voices when fast, the guide tones alone
when very fast or sparse; fourths, always with the chord's third among them, where a minor or sus
chord stays for four bars or longer; on the piano an upper structure over an altered dominant, where
there is time for it.  The guitar keeps to shapes that lie under a hand, the rhythm guitar to shells
of three notes.  A chord that stays is turned over now and then.  The hands do not stay in one place
all night: by phrases they keep to the lower or the higher part of the register, so that the same
chord of the form is not the same voicing in every pass.  A voicing uses the scale that the line
gives to the chord and keeps clear of the line's notes.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache, cached_property, lru_cache, partial
from itertools import groupby
from random import Random
from typing import Protocol

from drillgen.band.who_plays import ceilings
from drillgen.chart import Bar, Chart
from drillgen.lines.tones import scale_of
from drillgen.score import Note, Part
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Pitch
from drillgen.theory.voicing_styles import RUB, Style, is_altered, styled
from drillgen.theory.voicings import Setting, scale_in

# What the line plays beside the comping: the scale that it gives to a chord, and which voices rub.
#
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
        where it would hardly be heard otherwise."""
        clear = self._clear(pitch.midi)
        return clear if clear >= self._least else self.end - self.start

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


# Where each instrument's voicings lie (sounding MIDI keys) and how many voices they have at most.
REGISTERS = {
    "piano": (50, 74, 4),
    "electric piano": (50, 74, 4),
    "guitar": (50, 72, 4),
    "rhythm guitar": (41, 67, 3),
    "vibraphone": (53, 77, 4),
}
_PIANOS = ("piano", "electric piano")
_GUITARS = ("guitar", "rhythm guitar")
FAST, VERY_FAST = (
    220,
    280,
)  # quarter notes a minute: three voices above the one, two above the other
_UNHURRIED = 160  # … upper structures and the guitar's four notes up to here
_SPARSE, _FULL = (
    0.25,
    0.5,
)  # densities: guide tones alone below the one, upper structures from the other
_MODAL = 4  # bars
# How often a chord that stays is turned over, in each new bar.
_TURNED = {"rootless": 0.35, "quartal": 0.7, "upper structure": 0.3, "shell": 0.35}
_REMEMBERED = 3  # voicings: a chord is not turned back and forth between two of them
_ROOM = 12  # semitones of register that must be left below the line
_A_CHORD = 2  # voices: where the line leaves no room for them, they are played among its notes
_PHRASE = 8  # bars
# Semitones that a phrase leaves out of the register, from below and from above.
_LEANINGS = ((0, 0), (0, 4), (4, 0))
_VOICING_LEAST = 16  # … as long as this many are left


class StruckChord(Protocol):
    """One stroke and the chord it plays."""

    @property
    def start(self) -> Fraction: ...  # quarter notes
    @property
    def until(self) -> Fraction: ...  # where the chord ends
    @property
    def chord(self) -> Chord: ...
    @property
    def key(self) -> Key: ...


def voicings(
    chart: Chart, struck: Iterable[tuple[StruckChord, Fraction]], line: Part | None
) -> Iterator[tuple[tuple[Pitch, Fraction], ...]]:
    """The voicing of each stroke of a given length in turn, each led from the one before: its
    pitches from low to high, and how long each of them sounds."""
    spec = chart.drill.band.comping
    low, high, size = REGISTERS[spec.kind]
    if spec.register:
        low, high = spec.register
    tops = ceilings(chart, line, low + _ROOM, high)
    heard = Heard(chart, line)
    vamps = modal_bars(chart, heard)
    random = Random(f"{chart.drill.luck} voicings")
    previous: tuple[Pitch, ...] | None = None
    last: tuple[Chord, int] | None = None
    lately: deque[tuple[Pitch, ...]] = deque(maxlen=_REMEMBERED)
    for stroke, length in struck:
        heard_in = chart.bar_at(stroke.start)
        written_in = _bar_of_chord(chart, stroke)
        top = min(tops[heard_in.number], tops[written_in.number])
        style, voices = _style(chart, written_in, stroke.chord, written_in.number in vamps)
        stays = last is not None and last[0] == stroke.chord and last[1] < heard_in.number
        beside = _beside(heard, stroke, length, written_in)
        voice = partial(
            styled,
            stroke.chord,
            heard.setting(stroke.chord, stroke.key, _leads_to(written_in, stroke)),
            previous,
            style=style,
            size=min(voices, size),
            guitar=spec.kind in _GUITARS,
            instead_of=tuple(lately) if stays and random.random() < _TURNED[style] else (),
            rubs=cache(beside.rubs) if beside.notes or beside.through else None,
        )
        previous = _leaning(voice, beside, chart, written_in, low, top)
        if len(previous) < _A_CHORD:
            previous = voice(low=low, high=high)
        last = (stroke.chord, heard_in.number)
        if previous not in lately:
            lately.append(previous)
        yield tuple((pitch, beside.lasts(pitch)) for pitch in previous)


def _beside(heard: Heard, stroke: StruckChord, length: Fraction, bar: Bar) -> Beside:
    starts = [span.start for span in bar.spans if span.end == stroke.until]
    span = (starts[0] if starts else stroke.start, stroke.until)
    return heard.beside(stroke.chord, (stroke.start, stroke.start + length), span)


def _leaning(
    voice: Callable[..., tuple[Pitch, ...]],
    beside: Beside,
    chart: Chart,
    bar: Bar,
    low: int,
    high: int,
) -> tuple[Pitch, ...]:
    """A voicing in the part of a register that the hands keep to in a bar's phrase; in all of it
    where that part holds fewer voices, or none so clear of the line."""
    phrase = f"{bar.pass_number} {max(bar.form_bar, 0) // _PHRASE}"
    below, above = _lean(f"{chart.drill.luck} register {phrase}")
    anywhere = voice(low=low, high=high)
    if not (below or above) or high - low - below - above < _VOICING_LEAST:
        return anywhere
    leaning = voice(low=low + below, high=high - above)
    clear = sum(map(beside.rubs, leaning)) < RUB
    return leaning if clear and len(leaning) == len(anywhere) else anywhere


@lru_cache(maxsize=1024)
def _lean(phrase: str) -> tuple[int, int]:
    """How far the hands keep from the register's lower and upper end through a phrase."""
    return Random(phrase).choice(_LEANINGS)


def _bar_of_chord(chart: Chart, stroke: StruckChord) -> Bar:
    """The bar that the chord stands in; an anticipated one is struck in the bar before."""
    bar = chart.bar_at(stroke.start)
    following = chart.bars[min(bar.number + 1, len(chart.bars) - 1)]
    ahead = bar.role != "ending" and stroke.until > bar.end
    return following if ahead else bar


def _leads_to(bar: Bar, stroke: StruckChord) -> Chord | None:
    """What the chord of a stroke leads to, where it stands."""
    return next((span.leads_to for span in bar.spans if span.end == stroke.until), None)


def _style(chart: Chart, bar: Bar, chord: Chord, modal: bool) -> tuple[Style, int]:
    """How a chord is voiced, and in how many voices."""
    spec = chart.drill.band.comping
    bpm = float(bar.tempo * chart.drill.meter.beat)
    if bpm > VERY_FAST or spec.density < _SPARSE:
        return "rootless", 2  # the guide tones
    if spec.kind == "rhythm guitar":
        return "shell", 3
    if modal:
        return "quartal", 3 if bpm > FAST else 4
    unhurried = bpm <= _UNHURRIED and spec.density >= _FULL
    if spec.kind in _PIANOS and unhurried and is_altered(chord):
        return "upper structure", 4
    if spec.kind in _GUITARS:
        return "rootless", 4 if unhurried else 3
    return "rootless", 3 if bpm > FAST else 4


def modal_bars(chart: Chart, heard: Heard) -> set[int]:
    """The numbers of bars in which a minor chord (dorian) or sus chord stays for four or more."""
    found: set[int] = set()
    for chord, group in groupby(chart.bars, key=_only_chord):
        bars = list(group)
        if chord is None or len(bars) < _MODAL:
            continue
        if _is_modal(chord, heard.setting(chord, bars[0].key)):
            found |= {bar.number for bar in bars if bar.role != "ending"}
    return found


def _only_chord(bar: Bar) -> Chord | None:
    chords = {span.chord for span in bar.spans}
    return chords.pop() if len(chords) == 1 else None


def _is_modal(chord: Chord, setting: Setting) -> bool:
    dorian = chord.family == "minor" and scale_in(chord, setting).name == "dorian"
    return dorian or chord.family == "suspended"
