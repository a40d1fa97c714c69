"""The performance: what is played, in seconds, ready for MIDI and sound.

`Performance` is the one value that `midi.py` and `sound/` read.  Seconds count from the start of
the track (the first bar of the count-in), as floats computed from the origin, never accumulated.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from random import Random

from drillgen.band.feel import feel
from drillgen.band.percussion import KITS
from drillgen.chart import Bar, Chart
from drillgen.drill.instruments import INSTRUMENTS
from drillgen.score import Hit, Note, Part, PartName, Score, Touch
from drillgen.swing import published_ratio, swung

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
PAN: dict[PartName, float] = {"drums": 0.12, "comping": -0.25, "line": 0.0}

_MIDDLE_VELOCITY = 84  # of a normal note at 0 dB
# SoundFont 2.04, 8.4.2: velocity attenuates by 40 log10(127 / velocity) dB.
_DB_A_DECADE = 40.0
_TOUCH_LEVEL: dict[Touch, float] = {
    "normal": 0.0,
    "accent": 2.5,
    "ghost": -8.0,
    "short": 0.0,
    "held": 0.0,
}
_UNEVENNESS = 0.8  # dB either way: no player strikes twice alike (common practice)
# The part of its written length that a note sounds.
_LEGATO: dict[PartName, float] = {"line": 0.95, "bass": 0.94, "comping": 0.9, "cue": 1.0}
_SHORTEST = 0.05  # seconds
RING = 1.5  # seconds after the last bar for the final chord to die away


@dataclass(frozen=True, slots=True)
class Played:
    """One played note or stroke."""

    start: float  # seconds
    duration: float  # seconds until note-off
    key: int  # MIDI key, or GM percussion key on a drum part
    velocity: int  # 1 to 127


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


@dataclass(frozen=True, slots=True)
class Performance:
    """Everything that sounds in one track, and how long the track is."""

    chart: Chart
    voices: tuple[Voice, ...]
    seconds: float  # the track's length; the last chord's ring included


Clock = Callable[[Fraction], float]  # a written place in quarter notes to seconds


def perform(score: Score) -> Performance:
    """Play a score: swing, touch and level.  The same score gives the same performance."""
    clock = swinging_clock(score.chart)
    voices = tuple(_voice(score, part, clock) for part in score.parts)
    ring = RING if score.chart.drill.ending == "hold" else 0.0
    return Performance(score.chart, voices, score.chart.seconds + ring)


def ratio_in(chart: Chart, bar: Bar) -> float:
    """The swing ratio of a bar: the drill's own, else the published one for the bar's tempo."""
    drill = chart.drill
    if drill.swing is not None:
        return drill.swing
    if feel(drill.feel, drill.meter).swing != "published":
        return 1.0
    return published_ratio(float(bar.tempo * drill.meter.beat))


def swinging_clock(chart: Chart) -> Clock:
    """Seconds of a written place, swung as the bar it stands in is."""

    def clock(place: Fraction) -> float:
        bar = chart.bar_at(place)
        ratio = Fraction(ratio_in(chart, bar)).limit_denominator(1000)
        return chart.seconds_at(swung(place, chart.drill.meter.beat, ratio))

    return clock


def _voice(score: Score, part: Part, clock: Clock) -> Voice:
    drill = score.chart.drill
    percussion = bool(part.hits)
    spec = {"drums": drill.band.drums, "comping": drill.band.comping, "bass": drill.band.bass}.get(
        part.name
    )
    pan = spec.pan if spec is not None and spec.pan is not None else PAN.get(part.name, 0.0)
    random = Random(f"{drill.seed} touch {part.name}")
    played = sorted(_played(part, clock, random), key=lambda note: (note.start, note.key))
    return Voice(
        part=part.name,
        program=_kit(score) if percussion else INSTRUMENTS[part.instrument].program,
        percussion=percussion,
        channel=PERCUSSION_CHANNEL if percussion else CHANNELS[part.name],
        level=BALANCE[part.name] + (spec.level if spec is not None else 0.0),
        pan=pan,
        notes=tuple(played),
    )


def _kit(score: Score) -> int:
    """One kit a track: MIDI has one percussion channel, so the click shares the drummer's."""
    drums = score.part("drums")
    return KITS[drums.instrument.removesuffix(" kit")] if drums is not None else 0


def _played(part: Part, clock: Clock, random: Random) -> Iterator[Played]:
    for note in part.notes:
        legato = _LEGATO[part.name]
        yield _sounding(note, note.pitch.midi, legato, clock, random)
    for hit in part.hits:
        yield _sounding(hit, hit.key, 1.0, clock, random)


def _sounding(note: Note | Hit, key: int, legato: float, clock: Clock, random: Random) -> Played:
    start, end = clock(note.start), clock(note.start + note.duration)
    level = note.level + _TOUCH_LEVEL[note.touch] + random.uniform(-_UNEVENNESS, _UNEVENNESS)
    return Played(start, max((end - start) * legato, _SHORTEST), key, velocity_of(level))


def velocity_of(level: float) -> int:
    """The MIDI velocity that sounds `level` dB against a normal note."""
    return min(max(round(_MIDDLE_VELOCITY * 10 ** (level / _DB_A_DECADE)), 1), 127)
