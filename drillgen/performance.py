"""What is played: when, for how long and how strongly.

How strongly what is written is struck: accents, phrases, and what no player does twice alike.

Levels are in dB against a part's normal note; by SoundFont 2.04, 8.4.2, 40 dB are ten times the
velocity, so that a spread of a fifth of the mean velocity is 3.5 dB.

Drums, by the Groove MIDI Dataset (GM: 6 to 8 jazz performances with a ride, CC BY 4.0): the
velocity of one place varies by 0.20 of its mean on the ride, 0.25 on its skip notes, 0.23 on the
foot's hi-hat, 0.25 on the bass drum and 0.67 on the snare; 2 and 4 are 1.22 times as strong as 1
and 3 (1.06 to 1.42 by track), skip notes 0.79 times an on-beat stroke (0.69 to 0.99); neighbours
are a little alike (0.09).  The snare, which answers rather than keeps time, is kept below the line.
Bass, comping and line are phrased, not uneven: all of that is common practice.

The performance: what is played, in seconds, ready for MIDI and sound.

`Performance` is the one value that `midi.py` and `sound/` read.  Seconds count from the start of
the track (the first bar of the count-in), as floats computed from the origin, never accumulated.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from math import exp, log2, pi, sin, sqrt
from operator import attrgetter
from random import Random
from typing import Literal

from quicktions import Fraction

from drillgen.band.feel import KEYS, KITS, feel
from drillgen.chart import Chart
from drillgen.drill.band import feel_file
from drillgen.drill.sheet import INSTRUMENTS, instrument_of
from drillgen.score import Hit, Note, Part, PartName, Score, Touch, speech
from drillgen.timing import Clock, Together, clock_of, late_beats

_LEVELS: dict[Touch, float] = {
    "normal": 0.0,
    "accent": 2.5,
    "ghost": -8.0,
    "short": 0.0,
    "held": 0.0,
    "dead": -5.0,  # it leads the ear to the next note
    "slid": 0.0,
}


def level(event: Note | Hit) -> float:
    """Its own level and its touch's, dB."""
    return event.level + _LEVELS[event.touch]


def strengths(chart: Chart, part: Part) -> list[float]:
    """How loud each event of a part is struck, dB: its notes in order, then its hits."""
    random = Random(f"{chart.drill.luck} {chart.tempo} touch {part.name}")
    if part.hits:
        weighed = _weighed(chart, part)
        written = [level(event) + more for event, more in zip(part.hits, weighed, strict=True)]
        own = _struck(chart, part, random) if part.name == "drums" else [0.0] * len(written)
        return [a + b for a, b in zip(written, own, strict=True)]
    alike, size = _ALIKE.get(part.name, (0.0, 0.0))
    steady = list(_alike(random, [size] * len(part.notes), alike))
    stressed = _phrased(chart, part, random)
    return [
        level(note) + stressed.get(index, 0.0) + steady[index] + more
        for index, (note, more) in enumerate(zip(part.notes, _weighed(chart, part), strict=True))
    ]


def _weighed(chart: Chart, part: Part) -> Iterator[float]:
    """What beats of the bar weigh more by the feel, dB: the first most often, as players lean on it
    (common practice).  The student's line has none of that."""
    table = feel(chart.drill.feel, chart.drill.meter).weight
    names, beat = _names(part.instrument), chart.drill.meter.beat
    events: tuple[Note | Hit, ...] = (*part.notes, *part.hits)
    for event in events:
        own = table.get(names.get(event.key, "") if isinstance(event, Hit) else part.name)
        if not own or event.start.denominator > beat.denominator:  # between the beats
            yield 0.0
            continue
        within = (event.start - chart.bar_at(event.start).start) / beat
        yield own.get(int(within), 0.0) if within.denominator == 1 else 0.0


# Drums.

_EXTREME = 2.3  # standard deviations: more is no player's
_NEIGHBOURS = 0.0  # of a stroke's deviation that the next has: what choruses do is enough
# Standard deviations of one place, dB: GM's, less what choruses, patterns and comments do of
# themselves (`band/drums.py`); others by ear.
_SPREAD: Mapping[str, float] = {
    "ride cymbal": 3.2,
    "closed hi-hat": 3.2,
    "brush tap": 3.2,
    "pedal hi-hat": 4.0,
    "bass drum": 4.2,
    "snare": 2.2,
    "side stick": 2.8,
    "brush slap": 2.5,
    "brush swirl": 2.0,
    "low tom": 3.0,
    "high tom": 3.0,
}
_ANY_SPREAD = 2.5
_HAND = ("ride cymbal", "closed hi-hat", "brush tap")  # what keeps time
_SKIPPED = 4.3  # dB that skip notes vary by
_ACCENT, _OFFBEAT = 1.6, -2.4  # dB on the hand's accents, beyond the touch's, and its off-beats …
_ACCENTS_DIFFER, _OFFBEATS_DIFFER = 1.8, 1.8  # … and how these differ from track to track
_UNEVENNESS_DIFFERS = 0.2  # so does how uneven a drummer is: deviation of the logarithm
# dB: the most that a stroke comes to, of the hand that keeps time and of any other.
_HARDEST, _STRONGEST = 6.0, 3.0


def _struck(chart: Chart, part: Part, random: Random) -> list[float]:
    """What the drummer's hands and feet add to each stroke."""
    beat, names = chart.drill.meter.beat, _names(part.instrument)
    accent = max(_ACCENT + _ACCENTS_DIFFER * random.gauss(0, 1), -1.5)
    offbeat = min(_OFFBEAT + _OFFBEATS_DIFFER * random.gauss(0, 1), 0.0)
    uneven = exp(_UNEVENNESS_DIFFERS * random.gauss(0, 1))
    found = [0.0] * len(part.hits)
    by_key: dict[int, list[int]] = {}
    for index, hit in enumerate(part.hits):
        by_key.setdefault(hit.key, []).append(index)
    for key, indices in by_key.items():
        name = names.get(key, "")
        hand, spread = name in _HAND, uneven * _SPREAD.get(name, _ANY_SPREAD)
        skips = [hand and bool(part.hits[index].start % beat) for index in indices]
        spreads = [uneven * _SKIPPED if skip else spread for skip in skips]
        for index, skip, own in zip(
            indices, skips, _alike(random, spreads, _NEIGHBOURS), strict=True
        ):
            hit = part.hits[index]
            place = offbeat if skip else (accent if hand and hit.touch == "accent" else 0.0)
            most = _HARDEST if hand else _STRONGEST
            found[index] = min(own + place, most - level(hit))
    return found


def _names(kit: str) -> dict[int, str]:
    """What a key is on a kit: three of the snare's are strokes of a brush on one."""
    brushes = kit.startswith("brush")
    return {key: name for name, key in KEYS.items() if brushes or not name.startswith("brush")}


def _alike(random: Random, spreads: Sequence[float], share: float) -> Iterator[float]:
    """Deviations of one spread each, of which neighbours share some."""
    last, new = random.gauss(0, 1), sqrt(1 - share * share)
    for spread in spreads:
        last = share * last + new * min(max(random.gauss(0, 1), -_EXTREME), _EXTREME)
        yield spread * last


# Bass, comping and line.

# How alike neighbours are, and the standard deviation in dB.
_ALIKE: Mapping[PartName, tuple[float, float]] = {
    "bass": (0.6, 0.9),
    "line": (0.5, 0.6),
    "comping": (0.0, 0.4),
}
_BACKBEAT = 1.0  # 2 and 4 of a walking bass
_TOP_VOICE = 1.0  # the highest note of each chord, which is heard as a tune
_TOP = 1.5  # the highest note of a turn in the line
_TIED = 2  # beats without a note after which another phrase begins
_ARC_BARS, _ARC = 4, 1.0  # a phrase swells to its middle
_CLIMB, _HIGHEST_CLIMB = 0.1, 1.2  # dB a semitone above what was just played, and at most
_MEMORY = 0.7  # of the notes just played
_CHORDS_ALIKE, _CHORDS_DIFFER = 0.5, 1.2
_PUSH = 1.4  # a chord that comes before its beat
_STAB = -0.6  # a short one on the beat


def _phrased(chart: Chart, part: Part, random: Random) -> dict[int, float]:
    """What a part's notes, by their index, gain by where they stand, dB."""
    notes, line = part.notes, chart.drill.line
    if part.name == "comping":
        return dict(_voiced(chart, notes, random))
    if part.name == "bass":
        return dict(_walked(chart, notes, phrased=True))
    if part.name == "line" and line is not None and line.walks:
        return dict(_walked(chart, notes, phrased=False))
    return dict.fromkeys(_tops(chart, notes), _TOP) if part.name == "line" else {}


def _arc(chart: Chart, place: Fraction) -> float:
    """Soft at a phrase's ends, strongest past its middle."""
    bars = float(place / chart.drill.meter.bar) % _ARC_BARS / _ARC_BARS
    return _ARC * (sin(pi * bars**1.3) - 0.5)


def _walked(chart: Chart, notes: Sequence[Note], *, phrased: bool) -> Iterator[tuple[int, float]]:
    """2 and 4 a little stronger; the band's bass swells in phrases and where it climbs."""
    even = chart.drill.meter.beats % 2 == 0
    mean = float(notes[0].pitch.midi) if notes else 0.0
    for index, note in enumerate(notes):
        found = _BACKBEAT if even and _on_backbeat(chart, note) else 0.0
        if phrased:
            key = note.pitch.midi
            climbed = min(max(_CLIMB * (key - mean), -_HIGHEST_CLIMB), _HIGHEST_CLIMB)
            found += climbed + _arc(chart, note.start)
            mean = _MEMORY * mean + (1 - _MEMORY) * key
        yield index, found


def _voiced(chart: Chart, notes: Sequence[Note], random: Random) -> Iterator[tuple[int, float]]:
    """Chords in phrases, pushes stronger than stabs; the highest voice of each stands out."""
    groups = [list(each) for _, each in groupby(range(len(notes)), lambda i: notes[i].start)]
    beat = chart.drill.meter.beat
    differ = _alike(random, [_CHORDS_DIFFER] * len(groups), _CHORDS_ALIKE)
    for indices, own in zip(groups, differ, strict=True):
        first = notes[indices[0]]
        pushed = bool(first.start % beat) and first.touch != "short"
        stab = first.touch == "short" and not first.start % beat
        stroke = own + _arc(chart, first.start) + (_PUSH if pushed else _STAB if stab else 0.0)
        top = max(indices, key=lambda index: notes[index].pitch.midi)
        yield from ((i, stroke + (_TOP_VOICE if i == top else 0.0)) for i in indices)


def _on_backbeat(chart: Chart, note: Note) -> bool:
    beat = (note.start - chart.bar_at(note.start).start) / chart.drill.meter.beat
    return beat % 2 == 1 and note.duration <= chart.drill.meter.beat


def _tops(chart: Chart, notes: Sequence[Note]) -> Iterator[int]:
    """The first of the highest notes of each phrase that has a height."""
    gap = _TIED * chart.drill.meter.beat
    phrase, ends = 0, notes[0].start if notes else None
    numbers = []
    for note in notes:
        assert ends is not None
        phrase += note.start - ends >= gap
        ends = note.start + note.duration
        numbers.append(phrase)
    for _, group in groupby(range(len(notes)), key=numbers.__getitem__):
        indices = list(group)
        heights = [notes[index].pitch.midi for index in indices]
        if len(set(heights)) > 1:
            yield indices[heights.index(max(heights))]


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
_DEAD = 0.5  # a damped string's note, in soundfonts that have no other for it


def length(chart: Chart, part: PartName, event: Note | Hit) -> float:
    """The share of its written length that an event sounds."""
    if isinstance(event, Hit):
        return 1.0
    if part == "comping" and event.touch in _COMPED:
        return _COMPED[event.touch]
    if event.touch == "dead":
        return _DEAD
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
    "spoken": 7.0,  # each word as it is loudest: over a band (3) that steps back under it
}
# Instruments that soundfonts have louder than their part's others, dB.
SOUNDS = {"electric piano": -4.0}
_HELD = 0.25  # notes a beat of a line in whole notes, as which `BALANCE` is meant
_DB_A_DOUBLING = 1.5  # of the notes a beat
PAN: dict[PartName, float] = {"drums": 0.12, "comping": -0.25, "line": 0.0}
# Where they stand in our own mixes: wider, so that the sides are 8 to 12 dB below the middle, as in
# recordings of small bands (common practice), and nothing is lost in mono.  (A MIDI synthesiser
# widens its sounds itself.)
STAGE: dict[PartName, float] = {"drums": 0.5, "comping": -0.58}

_MIDDLE_VELOCITY = 84  # of a normal note at 0 dB
# SoundFont 2.04, 8.4.2: velocity attenuates by 40 log10(127 / velocity) dB.
_DB_A_DECADE = 40.0
_SHORTEST = 0.05  # seconds
# A stab of the comping still sounds as a chord: the short note of swung eighths stays at about
# 100 ms however fast they are, "a practical limit on tone duration" (Friberg & Sundström, Music
# Perception 19:333, 2002).
_SHORTEST_CHORD = 0.1


Manner = Literal["", "dead", "slid"]  # of a bass's notes, as `Touch` has them
_MANNERS: dict[Touch, Manner] = {"dead": "dead", "slid": "slid"}


@dataclass(frozen=True, slots=True)
class Played:
    """One played note or stroke."""

    start: float  # seconds
    duration: float  # seconds until note-off
    key: int  # MIDI key, or GM percussion key on a drum part
    velocity: int  # 1 to 127
    bar: int = 0  # the number of the bar that it is written in
    manner: Manner = ""  # where whoever plays it has such notes


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
    place: float | None = None  # where it stands in the mixes, as `pan`; None: there
    font: str = ""  # the soundfont that was asked for it; "": whichever is best

    @property
    def stands(self) -> float:
        """Where it stands in the mixes, -1 (left) to 1 (right)."""
        return self.pan if self.place is None else self.place


@dataclass(frozen=True, slots=True)
class SpokenWord:
    """A word that a voice says."""

    start: float  # seconds
    text: str  # a key of `drillgen.score.WORDS`
    quick: bool
    names_key: bool  # the key that comes, not the turn
    loudness: float  # LU, as `Voice` has it
    pan: float  # -1 (left) to 1 (right)


@dataclass(frozen=True, slots=True)
class Performance:
    """Everything that sounds in one track, and how long the track is."""

    chart: Chart
    voices: tuple[Voice, ...]
    seconds: float  # the track's length; the last chord's ring included
    words: tuple[SpokenWord, ...] = ()

    @property
    def parts(self) -> tuple[PartName, ...]:
        """Who is heard."""
        spoken: tuple[PartName, ...] = ("spoken",) if self.words else ()
        return (*(voice.part for voice in self.voices), *spoken)


def perform(score: Score) -> Performance:
    """Play a score: swing, time, touch and level.  The same score gives the same performance."""
    chart, together, late = score.chart, Together(score.chart), late_beats(score)
    clocks = (clock_of(chart, part.name, together, late) for part in score.parts)
    voices = tuple(map(partial(_voice, score), score.parts, clocks))
    return Performance(chart, voices, chart.lasts, tuple(_spoken(chart)))


def _spoken(chart: Chart) -> Iterator[SpokenWord]:
    """A voice keeps to the grid: it counts in, and the band's freedom is round that."""
    asked = chart.drill.band.spoken
    loudness = LOUDNESS["spoken"] + asked.level
    for word in speech(chart).words:
        start = chart.seconds_at(word.start)
        yield SpokenWord(start, word.text, word.quick, word.names_key, loudness, asked.pan or 0.0)


def _voice(score: Score, part: Part, clock: Clock) -> Voice:
    drill = score.chart.drill
    percussion = part.instrument not in INSTRUMENTS  # a kit, though it may play nothing
    spec = {"drums": drill.band.drums, "comping": drill.band.comping, "bass": drill.band.bass}.get(
        part.name
    )
    asked = spec.pan if spec is not None else None
    # Places written apart may be one moment, as a swung eighth and a triplet's last: one stroke.
    strongest = sorted(_played(score.chart, part, clock), key=attrgetter("velocity"))
    played = {(note.start, note.key): note for note in strongest}
    program = _kit(score) if percussion else INSTRUMENTS[part.instrument].program
    return Voice(
        part=part.name,
        program=program,
        percussion=percussion,
        channel=PERCUSSION_CHANNEL if percussion else CHANNELS[part.name],
        level=_balance(score, part) + (spec.level if spec is not None else 0.0),
        pan=PAN.get(part.name, 0.0) if asked is None else asked,
        place=STAGE.get(part.name) if asked is None else asked,
        notes=tuple(played[moment] for moment in sorted(played)),
        loudness=_loudness(score.chart, part) + (spec.level if spec is not None else 0.0),
        font=drill.sounds.of(instrument_of(percussion, program)),
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
    last = chart.lasts
    for event, strength in zip(events, strengths(chart, part), strict=True):
        key = event.key if isinstance(event, Hit) else event.pitch.midi
        start, end = clock(event.start), clock(event.start + event.duration)
        start += event.late if isinstance(event, Note) else 0.0
        start = min(start, last - _SHORTEST)  # a short last note, late, could lie behind the track
        bar = chart.bar_at(event.start).number
        sounding = max((end - start) * length(chart, part.name, event), shortest)
        manner = _MANNERS.get(event.touch, "")
        yield Played(start, min(sounding, last - start), key, velocity_of(strength), bar, manner)


def velocity_of(level: float) -> int:
    """The MIDI velocity that sounds `level` dB against a normal note."""
    return min(max(round(_MIDDLE_VELOCITY * 10 ** (level / _DB_A_DECADE)), 1), 127)
