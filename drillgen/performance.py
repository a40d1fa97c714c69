"""The performance: what is played, in seconds, ready for MIDI and sound.

`Performance` is the one value that `midi.py` and `sound/` read.  Seconds count from the start of
the track (the first bar of the count-in), as floats computed from the origin, never accumulated.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from math import log2
from operator import attrgetter

from drillgen.band.percussion import KITS
from drillgen.chart import Chart
from drillgen.drill.band import feel_file
from drillgen.drill.sheet import INSTRUMENTS
from drillgen.score import Hit, Note, Part, PartName, Score, Touch
from drillgen.timing import Clock, Together, clock_of, late_beats
from drillgen.touch import strengths

# How long what is written is held, as shares of its written length; all common practice.

_LENGTHS: dict[PartName, float] = {"line": 0.95, "bass": 0.94, "comping": 0.9, "cue": 1.0}
# … and where a feel asks for shorter or longer ones.
_BY_FEEL: dict[tuple[PartName, str], float] = {
    ("bass", "two-feel"): 0.85,
    ("bass", "ballad"): 0.97,
    ("bass", "bossa nova"): 0.85,
    ("bass", "samba"): 0.75,
    ("bass", "shuffle"): 0.88,
    ("line", "ballad"): 0.98,
    ("line", "samba"): 0.9,
    ("comping", "ballad"): 0.97,
}
_COMPED: dict[Touch, float] = {"short": 0.7, "held": 0.97}


def length(chart: Chart, part: PartName, event: Note | Hit) -> float:
    """The share of its written length that an event sounds."""
    if isinstance(event, Hit):
        return 1.0
    if part == "comping" and event.touch in _COMPED:
        return _COMPED[event.touch]
    return _BY_FEEL.get((part, chart.drill.feel), _LENGTHS.get(part, 1.0))


PERCUSSION_CHANNEL = 9  # MIDI channel 10 (General MIDI)
CHANNELS: dict[PartName, int] = {"comping": 0, "bass": 1, "line": 2, "cue": 3}

# How loud each part stands in the band before the drill's own `level`, dB.
BALANCE: dict[PartName, float] = {
    "drums": 0.0,
    "comping": -8.0,
    "bass": -4.0,
    "line": 0.0,
    "click": -3.0,
    "cue": -2.0,
}
# How loud each should be as it sounds, LU against the bass; feels have their own in `balance`, and
# all of it is common practice.  (The sound room measures; MIDI files have the levels above.)
LOUDNESS: dict[PartName, float] = {
    "drums": -3.0,
    "comping": -3.0,
    "bass": 0.0,
    "line": 2.0,
    "click": -6.0,
    "cue": 2.0,
}
# Instruments that soundfonts have louder than their part's others, dB.
SOUNDS = {"electric piano": -4.0}
_HELD = 0.25  # notes a beat of a line in whole notes, as which `BALANCE` is meant
_DB_A_DOUBLING = 1.5  # of the notes a beat
PAN: dict[PartName, float] = {"drums": 0.12, "comping": -0.25, "line": 0.0}

_MIDDLE_VELOCITY = 84  # of a normal note at 0 dB
# SoundFont 2.04, 8.4.2: velocity attenuates by 40 log10(127 / velocity) dB.
_DB_A_DECADE = 40.0
_SHORTEST = 0.05  # seconds
# A stab of the comping still sounds as a chord: the short note of swung eighths stays at about
# 100 ms however fast they are, "a practical limit on tone duration" (Friberg & Sundström, Music
# Perception 19:333, 2002).
_SHORTEST_CHORD = 0.1
RING = 1.5  # seconds after the last bar for the final chord to die away


@dataclass(frozen=True, slots=True)
class Played:
    """One played note or stroke."""

    start: float  # seconds
    duration: float  # seconds until note-off
    key: int  # MIDI key, or GM percussion key on a drum part
    velocity: int  # 1 to 127
    bar: int = 0  # the number of the bar that it is written in


@dataclass(frozen=True, slots=True)
class Voice:
    """One part as a synthesiser needs it."""

    part: PartName
    program: int  # GM program, 0-based; the kit's number for drums (0 standard, 40 brush)
    percussion: bool  # True: MIDI channel 10 (index 9), SoundFont bank 128
    channel: int  # MIDI channel index, 0 to 15
    level: float  # dB
    pan: float  # -1 (left) to 1 (right)
    notes: tuple[Played, ...]  # in order of start
    # LU, how loud it should be as it sounds (a band's bass stands at 0); None: `level` is all.
    loudness: float | None = None


@dataclass(frozen=True, slots=True)
class Performance:
    """Everything that sounds in one track, and how long the track is."""

    chart: Chart
    voices: tuple[Voice, ...]
    seconds: float  # the track's length; the last chord's ring included


def perform(score: Score) -> Performance:
    """Play a score: swing, time, touch and level.  The same score gives the same performance."""
    chart, together, late = score.chart, Together(score.chart), late_beats(score)
    clocks = (clock_of(chart, part.name, together, late) for part in score.parts)
    voices = tuple(map(partial(_voice, score), score.parts, clocks))
    return Performance(chart, voices, _seconds(chart))


def _seconds(chart: Chart) -> float:
    return chart.seconds + (0.0 if chart.drill.ending == "none" else RING)


def _voice(score: Score, part: Part, clock: Clock) -> Voice:
    drill = score.chart.drill
    percussion = bool(part.hits)
    spec = {"drums": drill.band.drums, "comping": drill.band.comping, "bass": drill.band.bass}.get(
        part.name
    )
    pan = spec.pan if spec is not None and spec.pan is not None else PAN.get(part.name, 0.0)
    # Places written apart may be one moment, as a swung eighth and a triplet's last: one stroke.
    strongest = sorted(_played(score.chart, part, clock), key=attrgetter("velocity"))
    played = {(note.start, note.key): note for note in strongest}
    return Voice(
        part=part.name,
        program=_kit(score) if percussion else INSTRUMENTS[part.instrument].program,
        percussion=percussion,
        channel=PERCUSSION_CHANNEL if percussion else CHANNELS[part.name],
        level=_balance(score, part) + (spec.level if spec is not None else 0.0),
        pan=pan,
        notes=tuple(played[moment] for moment in sorted(played)),
        loudness=_loudness(score.chart, part) + (spec.level if spec is not None else 0.0),
    )


def _loudness(chart: Chart, part: Part) -> float:
    """How loud a part should be as it sounds, LU, by the feel's `balance`."""
    return float(feel_file(chart.drill.feel).get("balance", {}).get(part.name, LOUDNESS[part.name]))


def _balance(score: Score, part: Part) -> float:
    """How loud a part stands in the band, dB.  A busy line sounds louder than a held one: it is
    taken back by what its notes a beat add, so that play-alongs of one pack are alike."""
    level = BALANCE[part.name] + SOUNDS.get(part.instrument, 0.0)
    if part.name != "line" or not part.notes:
        return level
    sounding = float(sum(note.duration for note in part.notes) / score.chart.drill.meter.beat)
    notes_a_beat = len(part.notes) / sounding
    return level - _DB_A_DOUBLING * max(log2(notes_a_beat / _HELD), 0.0)


def _kit(score: Score) -> int:
    """One kit a track: MIDI has one percussion channel, so the click shares the drummer's."""
    drums = score.part("drums")
    return KITS[drums.instrument.removesuffix(" kit")] if drums is not None else 0


def _played(chart: Chart, part: Part, clock: Clock) -> Iterator[Played]:
    shortest = _SHORTEST_CHORD if part.name == "comping" else _SHORTEST
    events: tuple[Note | Hit, ...] = (*part.notes, *part.hits)
    last = _seconds(chart)
    for event, strength in zip(events, strengths(chart, part), strict=True):
        key = event.key if isinstance(event, Hit) else event.pitch.midi
        start, end = clock(event.start), clock(event.start + event.duration)
        start += event.late if isinstance(event, Note) else 0.0
        start = min(start, last - _SHORTEST)  # a short last note, late, could lie behind the track
        bar = chart.bar_at(event.start).number
        sounding = max((end - start) * length(chart, part.name, event), shortest)
        yield Played(start, min(sounding, last - start), key, velocity_of(strength), bar)


def velocity_of(level: float) -> int:
    """The MIDI velocity that sounds `level` dB against a normal note."""
    return min(max(round(_MIDDLE_VELOCITY * 10 ** (level / _DB_A_DECADE)), 1), 127)
