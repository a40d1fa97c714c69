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
from typing import Literal

from quicktions import Fraction

from drillgen.chart import Bar, Chart, Role
from drillgen.drill.models import Drill
from drillgen.drill.spoken import Fitted, behind_a_beat, fit, key_words, room_of_turn, shorter
from drillgen.theory.pitch import Pitch

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


# What a voice says, where the drill asks for it: the key that comes, and whose turn it is.
#
# In the count-in the key is said as it begins and the turn as it ends; later everything ends with
# the bar before, a key within two bars, a turn alone within the second half of one, so that little
# of the music is covered.


@dataclass(frozen=True, slots=True)
class CueWord:
    """One spoken word."""

    start: Fraction  # quarter notes
    text: str  # a key of `drillgen.drill.spoken.WORDS`
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
