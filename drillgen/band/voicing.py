"""Which notes the comping plays: by instrument, tempo, density and harmony, under the line.

Common practice: rootless voicings at moderate tempos, three voices when fast, the guide tones alone
when very fast or sparse; fourths, always with the chord's third among them, where a minor or sus
chord stays for four bars or longer; on the piano an upper structure over an altered dominant, where
there is time for it.  The guitar keeps to shapes that lie under a hand, the rhythm guitar to shells
of three notes.  A chord that stays is turned over now and then.  The hands do not stay in one place
all night: by phrases they keep to the lower or the higher part of the register, so that the same
chord of the form is not the same voicing in every pass.  A voicing uses the scale that the line
gives to the chord and keeps clear of the line's notes (`beside.py`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from functools import cache, partial
from itertools import groupby
from random import Random
from typing import Protocol

from drillgen.band.beside import Beside, Heard
from drillgen.band.room import ceilings
from drillgen.chart import Bar, Chart
from drillgen.score import Part
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Pitch
from drillgen.theory.styles import RUB, Style, is_altered, styled
from drillgen.theory.voicings import Setting, scale_in

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
_LEAST = 16  # … as long as this many are left


class Struck(Protocol):
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
    chart: Chart, struck: Iterable[tuple[Struck, Fraction]], line: Part | None
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
            heard.setting(stroke.chord, stroke.key),
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


def _beside(heard: Heard, stroke: Struck, length: Fraction, bar: Bar) -> Beside:
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
    below, above = Random(f"{chart.drill.luck} register {phrase}").choice(_LEANINGS)
    anywhere = voice(low=low, high=high)
    if high - low - below - above < _LEAST:
        return anywhere
    leaning = voice(low=low + below, high=high - above)
    clear = sum(map(beside.rubs, leaning)) < RUB
    return leaning if clear and len(leaning) == len(anywhere) else anywhere


def _bar_of_chord(chart: Chart, stroke: Struck) -> Bar:
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
