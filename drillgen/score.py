"""The score: what is written, before anybody plays it.

Times are in quarter notes from the first bar's start (the count-in's, where there is one), as
fractions.  Pitches are spelled and sounding (a double bass is engraved an octave higher by the
sheet).  Swing is not written: swing eighths stand as plain eighths, as on a lead sheet.

Here too, since every player asks it: in which bars a part plays at all; and what a voice says.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from math import ceil, floor
from typing import Literal, NamedTuple

from quicktions import Fraction

from drillgen.chart import Bar, Chart, Role
from drillgen.drill.bars import Meter
from drillgen.drill.models import Drill
from drillgen.theory.pitch import Key, Pitch

PartName = Literal["drums", "comping", "bass", "line", "click", "cue", "spoken"]
# Of a bass: "dead", plucked on a damped string, more knock than note; "slid", plucked two semitones
# below, from where the hand slides to its place.
Touch = Literal["normal", "accent", "ghost", "short", "held", "dead", "slid"]


@dataclass(frozen=True, slots=True)
class Note:
    """One written note of a pitched part."""

    start: Fraction  # quarter notes
    duration: Fraction  # quarter notes
    pitch: Pitch
    touch: Touch = "normal"
    level: float = 0.0  # dB against the part's own level
    mark: str = ""  # what the note is for: "3", "7", "approach", …
    late: float = 0.0  # seconds after its place: the upper notes of a rolled chord


@dataclass(frozen=True, slots=True)
class Hit:
    """One stroke on a percussion instrument (General MIDI percussion key)."""

    start: Fraction  # quarter notes
    key: int  # GM percussion key, 35 to 81
    touch: Touch = "normal"
    level: float = 0.0  # dB against the part's own level
    duration: Fraction = Fraction(1, 4)


@dataclass(frozen=True, slots=True)
class Part:
    """Everything one player plays, in order of time."""

    name: PartName
    instrument: str  # a key of `drill.sheet.INSTRUMENTS`, or "standard kit", "brush kit"
    notes: tuple[Note, ...] = ()
    hits: tuple[Hit, ...] = ()


@dataclass(frozen=True, slots=True)
class Score:
    """A chart with every part written out."""

    chart: Chart
    parts: tuple[Part, ...] = field(default=())

    def part(self, name: PartName) -> Part | None:
        return next((part for part in self.parts if part.name == name), None)


# Who plays in which bar: the room that the band leaves for the student.

_KEEPS_TIME: tuple[PartName, ...] = ("drums", "click")  # who goes on where only time is kept


def plays(chart: Chart, bar: Bar, part: PartName) -> bool:
    """Whether a part of the band plays in a bar: never in the count-in nor in a drop-out, else as
    `gaps` says."""
    if bar.role == "count-in" or chart.drops_out(bar):
        return False
    gaps = chart.drill.gaps
    if bar.role != "response" or gaps is None or gaps.band == "plays":
        return True
    return gaps.band == "time" and part in _KEEPS_TIME


def runs(chart: Chart, part: PartName) -> Iterator[tuple[Bar, ...]]:
    """Stretches of neighbouring bars of the form in which a part plays."""
    played = groupby(chart.bars, key=lambda bar: bar.form_bar >= 0 and plays(chart, bar, part))
    return (tuple(bars) for playing, bars in played if playing)


def after(chart: Chart, bar: Bar) -> Bar | None:
    """The next bar of the track."""
    return chart.bars[bar.number + 1] if bar.number + 1 < len(chart.bars) else None


def starts_pass(chart: Chart, bar: Bar) -> bool:
    before = chart.bars[bar.number - 1] if bar.number else None
    return bar.form_bar >= 0 and (before is None or before.pass_number != bar.pass_number)


# The words that a voice says, how long each takes, and how they are set on the grid.
#
# A word is a row of sounds with their lengths; `sound/speech.py` speaks them. They are those of
# English letter names and words (common practice: a North American pronunciation); the lengths are
# those of words said alone, by ear.
#
# A word begins between two beats: on a beat the stroke that counts would cover its first consonant
# (`python -m benchmarks.speech` measures how much less is understood there). One that has no room
# is said quickly, in `QUICK` of its time, or left out: `fit` has the rule, and `page/web/spoken.js`
# follows the same one.

_SPOKEN = {
    "A": "e:120 j:170",
    "B": "b.:40 b:10 i:250",
    "C": "s:150 i:230",
    "D": "d.:40 d:14 i:250",
    "E": "iʰ:60 i:330",
    "F": "ɛ:170 f:200",
    "G": "dʒ:60 i:240",
    "sharp": "ʃ:110 ɑ:110 r:70 p.:60 p:10 pʰ:30",
    "flat": "f:80 l:60 æ:140 t.:50 t:15 tʰ:40",
    "minor": "m:70 a:70 ɪ:70 n:60 ɝ:130",
    "listen": "l:60 ɪ:80 s:90 ə:50 n:100",
    "play": "p:10 pʰ:30 l:55 e:90 j:130",
    "sing": "s:80 ɪ:80 ŋ:100",
}
# Each word's sounds, and their lengths in milliseconds.
WORDS: dict[str, tuple[tuple[str, int], ...]] = {
    word: tuple(
        (sound, int(length)) for sound, length in (each.split(":") for each in text.split())
    )
    for word, text in _SPOKEN.items()
}
QUICK = 0.75  # of a word's time, where there is no more
FAST = 0.25  # seconds a beat: 240 beats a minute
_ACCIDENTALS = {-1: ("flat",), 0: (), 1: ("sharp",)}


class Fitted(NamedTuple):
    """A word in its place: behind which beat it begins, counted from 0 where the room begins."""

    word: str
    early: int  # where all is said as soon as may be
    late: int  # and where it ends with the room
    quick: bool


def word_lasts(word: str, quick: bool = False) -> float:
    """How long a word takes, in seconds."""
    return sum(length for _, length in WORDS[word]) / 1000 * (QUICK if quick else 1)


def key_words(key: Key) -> tuple[str, ...]:
    """A key as it is said: B flat minor; major goes without saying."""
    minor = ("minor",) if key.mode == "minor" else ()
    return (key.tonic.letter, *_ACCIDENTALS[key.tonic.alter], *minor)


def behind_a_beat(meter: Meter) -> Fraction:
    """Where a word begins, in beats behind one: in its middle, or on the second of three."""
    return Fraction(1, 2) if meter.beat.denominator == 1 else Fraction(1, 3)


def fit(words: Sequence[str], beat: float, meter: Meter, room: int) -> tuple[Fitted, ...]:
    """Words in `room` beats of `beat` seconds, one behind each beat (every second, third … one
    where a word lasts longer than a beat), all of them quickly where the last one would not end in
    time otherwise; () where there is no time for that either."""
    for quick in (False, True):
        needed = [word_lasts(word, quick) / beat for word in words]
        starts = [sum(map(ceil, needed[:index])) for index in range(len(words))]
        spare = floor(room - float(behind_a_beat(meter)) - starts[-1] - needed[-1])
        if spare >= 0:
            places = zip(words, starts, strict=True)
            return tuple(Fitted(word, start, start + spare, quick) for word, start in places)
    return ()


def room_of_turn(beat: float, meter: Meter) -> int:
    """The beats before a turn in which it may be said: half a bar, at fast tempos all of it."""
    return meter.beats if beat < FAST else -(-meter.beats // 2)


def shorter(key: Sequence[str], turn: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    """What is tried in turn where a key and a turn have no room together: all, the key without the
    turn, without its mode."""
    tried = ((*key, *turn), tuple(key), tuple(word for word in key if word != "minor"))
    return tuple(dict.fromkeys(each for each in tried if each))


# What a voice says, where the drill asks for it: the key that comes, and whose turn it is.
#
# In the count-in the key is said as it begins and the turn as it ends; later everything ends with
# the bar before, a key within two bars, a turn alone within the second half of one, so that little
# of the music is covered.


@dataclass(frozen=True, slots=True)
class CueWord:
    """One spoken word."""

    start: Fraction  # quarter notes
    text: str  # a key of `WORDS`
    quick: bool
    names_key: bool  # not the turn


@dataclass(frozen=True, slots=True)
class Speech:
    """All that is said in a track, and what there is no time for: the bar that it is about."""

    words: tuple[CueWord, ...] = ()
    left_out: tuple[tuple[Bar, tuple[str, ...]], ...] = ()


def speech(chart: Chart) -> Speech:
    """What is said in a track."""
    words: list[CueWord] = []
    lacking: list[tuple[Bar, tuple[str, ...]]] = []
    if not chart.drill.band.spoken.plays:
        return Speech()
    for bars, bar, key, turn in _announced(chart):
        said = _said(chart, bars, key, turn)
        words += said
        if len(said) < len(key) + len(turn):
            there = [word.text for word in said]
            lacking.append((bar, tuple(word for word in (*key, *turn) if word not in there)))
    return Speech(tuple(words), tuple(lacking))


_Announced = tuple[tuple[Bar, ...], Bar, tuple[str, ...], tuple[str, ...]]


def _announced(chart: Chart) -> Iterator[_Announced]:
    """The bars in which something is said, the bar that it is about, its key, its turn."""
    kind = chart.drill.band.spoken.kind
    lead = [bar for bar in chart.bars if bar.role == "count-in"]
    before: Bar | None = None
    for bar in chart.bars[len(lead) :]:
        keys = before is None or (bar.key_number != before.key_number and not bar.change)
        turns = before is None or bar.role != before.role
        key = key_words(bar.key) if keys and "keys" in kind else ()
        turn = turn_words(chart.drill, bar.role) if turns and "turns" in kind else ()
        if key or turn:
            counted = lead[chart.drill.count_in.starting_note :]
            yield (tuple(counted) if before is None else _last(chart, before)), bar, key, turn
        before = bar


def _last(chart: Chart, bar: Bar) -> tuple[Bar, ...]:
    """A bar and the one before it, where that is of the same role and key."""
    other = chart.bars[max(bar.number - 1, 0)]
    alike = (other.role, other.key_number) == (bar.role, bar.key_number)
    return (other, bar) if alike and other is not bar else (bar,)


def turn_words(drill: Drill, role: Role) -> tuple[str, ...]:
    """What is said of whose turn it is; () where it is nobody's alone."""
    sung = drill.line is not None and drill.line.instrument == "voice"
    return {"call": ("listen",), "response": ("sing" if sung else "play",)}.get(role, ())


def _said(
    chart: Chart, bars: Sequence[Bar], key: tuple[str, ...], turn: tuple[str, ...]
) -> list[CueWord]:
    """As many of the words as have room in some bars."""
    if not bars:
        return []
    meter, counted = chart.drill.meter, bars[0].role == "count-in"
    beat = float(chart.seconds_a_quarter(bars[-1]) * meter.beat)
    room = len(bars) * meter.beats if key or counted else room_of_turn(beat, meter)
    tried = (fit(words, beat, meter, room) for words in shorter(key, turn))
    fitted: tuple[Fitted, ...] = next(filter(None, tried), ())
    first = bars[-1].end - room * meter.beat
    found = []
    for each in fitted:
        names_key = each.word not in turn
        place = (each.early if counted and names_key else each.late) + behind_a_beat(meter)
        found.append(CueWord(first + place * meter.beat, each.word, each.quick, names_key))
    return found
