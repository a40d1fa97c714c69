"""Which notes the comping plays: by instrument, tempo, density and harmony, under the line.

Common practice: rootless voicings at moderate tempos, three voices when fast, the guide tones alone
when very fast or sparse; fourths, always with the chord's third among them, where a minor or sus
chord stays for four bars or longer; on the piano an upper structure over an altered dominant, where
there is time for it.  The guitar keeps to shapes that lie under a hand, the rhythm guitar to shells
of three notes.  The top voice is a tune (`hands.py`); without a bass in the band the chords have
their roots (`hands.py`).  The hands do not stay in one place
all night: by phrases they keep to the lower or the higher part of the register, so that the same
chord of the form is not the same voicing in every pass.  A voicing uses the scale that the line
gives to the chord and keeps clear of the line's notes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import cache, lru_cache, partial
from itertools import groupby
from random import Random
from typing import NamedTuple, Protocol

from quicktions import Fraction

from drillgen.band.hands import (
    PIANOS,
    WITH_THE_BASS,
    Beside,
    Heard,
    OwnRoots,
    TopVoice,
    is_clear_over,
    low_voices,
    lowest_above,
    zone_of,
)
from drillgen.chart import Bar, Chart
from drillgen.score import Part, plays
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Key, Pitch
from drillgen.theory.voicings import (
    RUB,
    Setting,
    Style,
    is_altered,
    keys_of,
    leap_together,
    nearest_of,
    rooted,
    scale_in,
    styled,
    tones,
)

# Where each instrument's voicings lie (sounding MIDI keys) and how many voices they have at most.
REGISTERS = {
    "piano": (50, 74, 4),
    "electric piano": (50, 74, 4),
    "guitar": (50, 72, 4),
    "rhythm guitar": (41, 67, 3),
    "vibraphone": (53, 77, 4),
}
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
_ROOM = 12  # semitones of register that must be left below the line
_LOW_STRINGS = 41  # F2: the lowest fret of a guitar
_HEARD = Fraction(3, 4)  # beats that a root must sound
_LONG = 3  # beats: an inner voice moves under a chord of these
_LEAST_ROOM = 11  # semitones that a left hand leaves the right one
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


class Sounded(NamedTuple):
    """One note of a stroke."""

    pitch: Pitch
    after: Fraction  # quarter notes from the stroke's place
    length: Fraction  # quarter notes
    mark: str  # "root" in the left hand, "inner" for a voice that moves while the others stay


def voicings(
    chart: Chart, struck: Iterable[tuple[StruckChord, Fraction]], line: Part | None
) -> Iterator[tuple[Sounded, ...]]:
    """The voicing of each stroke of a given length in turn, each led from the one before: its
    notes from low to high."""
    heard = Heard(chart, line)
    low, high, _ = REGISTERS[chart.drill.band.comping.kind]
    low, high = chart.drill.band.comping.register or (low, high)
    player = _Comper(
        chart, heard, OwnRoots(chart, line), low, high,
        tops=_ceilings(chart, line, low + _ROOM, high),
        vamps=modal_bars(chart, heard),
        tune=TopVoice(Random(f"{chart.drill.luck} voicings")),
        random=Random(f"{chart.drill.luck} left hand"),
    )  # fmt: skip
    return (player.strikes(stroke, length) for stroke, length in struck)


def _ceilings(chart: Chart, line: Part | None, least: int, high: int) -> dict[int, int]:
    """The highest MIDI key, by the number of the bar, that keeps a part below the line.

    A pass keeps below the line's lowest note, so that a response sounds as its call did; where
    that leaves less room than up to `least`, each bar keeps below its own notes; where not even
    that is possible the line lies among the part's own notes or under it, and `high` stays.
    """
    lowest: dict[int, int] = {}
    for note in line.notes if line is not None else ():
        number = chart.bar_at(note.start).number
        lowest[number] = min(lowest.get(number, high), note.pitch.midi - 1)
    found = {bar.number: high for bar in chart.bars}
    for bars in chart.passes():
        through = min((lowest.get(bar.number, high) for bar in bars), default=high)
        for bar in bars:
            top = through if through >= least else lowest.get(bar.number, high)
            found[bar.number] = top if top >= least else high
    return found


@dataclass
class _Comper:
    """Who plays the chords, one stroke after the other."""

    chart: Chart
    heard: Heard
    roots: OwnRoots
    low: int
    high: int
    tops: dict[int, int]  # the highest key by a bar's number
    vamps: set[int]
    tune: TopVoice
    random: Random
    previous: tuple[Pitch, ...] | None = None
    rooted: set[Fraction] = field(default_factory=set)  # ends of the chords that have their root
    shaped: Fraction | None = None  # the end of the chord whose shape on a guitar has it
    sounded: tuple[int, ...] = ()  # MIDI keys of the last stroke, both hands'

    def strikes(self, stroke: StruckChord, length: Fraction) -> tuple[Sounded, ...]:
        """What one stroke plays."""
        bar = _bar_of_chord(self.chart, stroke)
        heard_in = self.chart.bar_at(stroke.start)
        high = min(self.tops[heard_in.number], self.tops[bar.number])
        beside = _beside(self.heard, stroke, length, bar)
        hand, self.shaped = self._hand(stroke, bar), None
        upper = self._upper(stroke, bar, beside, hand, high)
        if len(hand) > 1 and leap_together(self.sounded, keys_of((*hand, *upper))):
            hand = hand[:1]  # a root alone leaves the right hand room to move less
            upper = self._upper(stroke, bar, beside, hand, high)
        self.sounded = keys_of((*hand, *upper))
        upper = tuple(beside.clear_of_semitones(upper, self.low, high)) or upper[:1]
        upper = tuple(
            each for each in upper if beside.lasts(each) > 0 and is_clear_over(hand, each)
        )
        self.previous = upper or self.previous
        if upper:
            self.tune.went(keys_of(upper))
        if self.shaped is not None and self.chart.drill.band.comping.kind == "guitar":
            hand, upper = upper[:1], upper[1:]  # its lowest string rings on
        low = (voice for pitch in hand for voice in self._held(stroke, bar, pitch))
        return (*low, *self._moving(stroke, bar, beside, upper, length))

    def _hand(self, stroke: StruckChord, bar: Bar) -> tuple[Pitch, ...]:
        """The left hand, where it plays: on a chord's first stroke."""
        spec, feel = self.chart.drill.band.comping, self.chart.drill.feel
        if stroke.until in self.rooted or spec.kind in _GUITARS:
            return ()
        self.rooted.add(stroke.until)
        span = _span(stroke, bar)
        ballad = feel == "ballad" and spec.kind in PIANOS and spec.register is None
        root = self.roots.wanted(bar, stroke.chord, *span)
        sparse = spec.density < _SPARSE
        if not root and (not ballad or sparse):
            return ()
        zone = zone_of(spec.kind, spec.register, ballad=ballad)
        hand = low_voices(stroke.chord, self.random, zone, spec.kind, ballad=ballad and not sparse)
        return hand if root or self.random.random() < WITH_THE_BASS else hand[1:]

    def _upper(
        self, stroke: StruckChord, bar: Bar, beside: Beside, hand: tuple[Pitch, ...], high: int
    ) -> tuple[Pitch, ...]:
        """The other voices."""
        spec = self.chart.drill.band.comping
        setting = self._setting(stroke, bar)
        style, voices = _style(self.chart, bar, stroke.chord, bar.number in self.vamps)
        size = min(voices, REGISTERS[spec.kind][2])
        taste = self.tune.taste()
        if spec.kind in _GUITARS and self._needs_a_shape(stroke, bar):
            options = rooted(stroke.chord, _LOW_STRINGS, high, shell=spec.kind == "rhythm guitar")
            clear = [each for each in options if sum(map(beside.rubs, each[1])) < RUB]
            if clear or options:
                self.shaped = stroke.until
                return nearest_of(clear or options, self.previous, taste)
        voice = partial(
            styled,
            stroke.chord,
            setting,
            self.previous,
            style=style,
            size=max(min(size, 5 - len(hand)), 2) if hand else size,
            guitar=spec.kind in _GUITARS,
            taste=taste if style != "shell" and size > 2 else None,  # these only lead
            rubs=cache(beside.rubs) if beside.notes or beside.through else None,
        )
        low = min(lowest_above(hand, self.low), high - _LEAST_ROOM)
        found = _leaning(voice, beside, self.chart, bar, low, high, size)
        return found if len(found) >= _A_CHORD else voice(low=low, high=max(self.high, high))

    def _setting(self, stroke: StruckChord, bar: Bar) -> Setting:
        leads_to = next((span.leads_to for span in bar.spans if span.end == stroke.until), None)
        return self.heard.setting(stroke.chord, stroke.key, leads_to)

    def _needs_a_shape(self, stroke: StruckChord, bar: Bar) -> bool:
        if stroke.until in self.rooted:
            return False
        self.rooted.add(stroke.until)
        return self.roots.wanted(bar, stroke.chord, *_span(stroke, bar))

    def _held(self, stroke: StruckChord, bar: Bar, pitch: Pitch) -> Iterator[Sounded]:
        """A note of the left hand, held through the chord as far as the line lets it; in another
        octave where the line lies a semitone beside it."""
        end = self._goes_on_to(stroke, bar)
        beside = self.heard.beside(stroke.chord, (stroke.start, end), _span(stroke, bar))
        for octave in (0, 1, -1):
            other = Pitch(pitch.name, pitch.octave + octave)
            length = beside.until_a_semitone(other)
            if length >= min(_HEARD * beside.beat, end - stroke.start):
                yield Sounded(other, Fraction(0), length, "root")
                return

    def _goes_on_to(self, stroke: StruckChord, bar: Bar) -> Fraction:
        """Where a chord ends, or a bar of it later, where it stays in the next bar, too; in the
        track, which one that anticipates its beginning goes beyond."""
        until = min(stroke.until, self.chart.end)
        if bar.role == "ending":
            return until
        following = self.chart.bars[min(bar.number + 1, len(self.chart.bars) - 1)]
        stays = following.role == bar.role and plays(self.chart, following, "comping")
        if stays and stroke.until == bar.end and following.spans[0].chord == stroke.chord:
            return following.spans[0].end
        return until

    def _moving(
        self, stroke: StruckChord, bar: Bar, beside: Beside, upper: tuple[Pitch, ...],
        length: Fraction,
    ) -> Iterator[Sounded]:  # fmt: skip
        """The right hand's notes; in a ballad one of its inner voices moves under a long chord."""
        moves = self._inner(stroke, bar, beside, upper, length)
        to_beat = _to_beat(stroke.start + length / 2 - bar.start, beside.beat)
        moved = bar.start + to_beat - stroke.start  # on the beat that is nearest to the middle
        for pitch in upper:
            lasts = beside.lasts(pitch)
            if moves and pitch == moves[0] and lasts > moved > 0:
                yield Sounded(pitch, Fraction(0), moved, "")
                yield Sounded(moves[1], moved, length - moved, "inner")
            else:
                yield Sounded(pitch, Fraction(0), lasts, "")

    def _inner(
        self, stroke: StruckChord, bar: Bar, beside: Beside, upper: tuple[Pitch, ...],
        length: Fraction,
    ) -> tuple[Pitch, Pitch] | None:  # fmt: skip
        """Which inner voice moves, and where to: by step to another tone of the chord's."""
        drill = self.chart.drill
        if drill.feel != "ballad" or len(upper) < 3 or length < _LONG * beside.beat:
            return None
        chord, keys = stroke.chord, keys_of(upper)
        guide = chord.root.above(chord.guide_tones[0])
        names = {chord.root.above(d) for d in tones(chord, self._setting(stroke, bar))}
        found = [
            (pitch, other)
            for pitch in upper[:-1]
            for name in sorted(names, key=lambda name: name.fifths)
            if pitch.name != guide
            for other in [Pitch.near(name, pitch.midi)]
            if 0 < abs(other.midi - pitch.midi) <= 2
            and all(abs(other.midi - key) > 1 for key in keys if key != pitch.midi)
            and beside.rubs(other) < RUB
            and beside.until_a_semitone(other) == beside.end - beside.start
        ]
        return self.random.choice(found) if found else None


def _to_beat(place: Fraction, beat: Fraction) -> Fraction:
    """The nearest beat to a place, both in quarter notes."""
    return round(place / beat) * beat


def _span(stroke: StruckChord, bar: Bar) -> tuple[Fraction, Fraction]:
    starts = [span.start for span in bar.spans if span.end == stroke.until]
    return (starts[0] if starts else stroke.start, stroke.until)


def _beside(heard: Heard, stroke: StruckChord, length: Fraction, bar: Bar) -> Beside:
    return heard.beside(stroke.chord, (stroke.start, stroke.start + length), _span(stroke, bar))


def _leaning(
    voice: Callable[..., tuple[Pitch, ...]],
    beside: Beside,
    chart: Chart,
    bar: Bar,
    low: int,
    high: int,
    size: int,
) -> tuple[Pitch, ...]:
    """A voicing in the part of a register that the hands keep to in a bar's phrase; in all of it
    where that part holds fewer voices, or none so clear of the line."""
    phrase = f"{bar.pass_number} {max(bar.form_bar, 0) // _PHRASE}"
    below, above = _lean(f"{chart.drill.luck} register {phrase}")
    if (below or above) and high - low - below - above >= _VOICING_LEAST:
        leaning = voice(low=low + below, high=high - above)
        if len(leaning) >= min(size, 3) and sum(map(beside.rubs, leaning)) < RUB:
            return leaning
    return voice(low=low, high=high)


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
    if spec.kind in PIANOS and unhurried and is_altered(chord):
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
