"""Which note copies the page needs, and when each is struck.

As in the mixes (`sound/arrangement.py`), but gathered more coarsely, since a pack is handed out:
velocities in wider steps (what is left over becomes gain), one copy a drum whatever its length.
What ends a note early (struck again, choked) is settled by the page, which can repeat bars.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from statistics import median

from drillgen.page.models import Take
from drillgen.performance import Played, Voice, clocks
from drillgen.score import Hit, Note, PartName
from drillgen.sound.arrangement import resolved
from drillgen.sound.bank import Bank, Preset, Wanted
from drillgen.sound.strokes import sample_at
from drillgen.sound.synth import GRID, RATE, Samples
from drillgen.timing import Clock

STEP = 6.0  # dB between velocities
# SoundFont 2.04, 8.4.2: a note sounds 40 log10(127 / velocity) dB below its loudest.
_DB_A_DECADE = 40.0
AUDIBLE = -50.0  # dB: below that, in a band, nobody hears a tail
RELEASE = -150.0  # dB a second, for the few presets whose releases follow no law
# Lengths of copies in seconds: few, so that drills share them.  The last is the longest.
_LENGTHS = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)


@dataclass(frozen=True, slots=True)
class Stroke:
    """One note of a part."""

    start: int  # sample of the track
    hold: int  # samples until note-off
    note: Wanted
    decibels: float  # what the copy lacks of the true velocity
    bar: int  # the bar that it is written in


@dataclass(frozen=True, slots=True)
class Player:
    """A part of a track, the preset that plays it, and its strokes in order."""

    voice: Voice
    preset: Preset
    strokes: tuple[Stroke, ...]
    chokes: frozenset[tuple[int, int]]  # (key, key that it silences)


@dataclass(frozen=True, slots=True)
class Need:
    """How much of a note is needed, and how it falls after note-off."""

    count: int  # samples; 0: all of it
    rate: float  # dB a second; 0: it is not ended by its note-off


Needs = dict[Wanted, Need]


def players(take: Take, bank: Bank) -> tuple[Player, ...]:
    """Everybody who plays in a track."""
    clock = clocks(take.score)
    return tuple(_player(take, voice, clock[voice.part], bank) for voice in take.performance.voices)


def needs(groups: Sequence[tuple[Sequence[Player], float]], bank: Bank) -> Needs:
    """What some tracks need, in the order of their time, each to be played so much slower."""
    melodic = {
        stroke.note
        for found, _ in groups
        for player in found
        if not player.preset.percussion
        for stroke in player.strokes
    }
    rates = {note: rate or RELEASE for note, rate in bank.releases(melodic).items()}
    counts: dict[Wanted, int] = {}
    for found, slowed in groups:
        strokes = (stroke for player in found for stroke in player.strokes)
        for stroke in sorted(strokes, key=lambda stroke: (stroke.start, stroke.note)):
            count = _count(stroke, rates.get(stroke.note), slowed)
            counts[stroke.note] = max(counts.get(stroke.note, 0), count)
    return {note: Need(count, rates.get(note, 0.0)) for note, count in counts.items()}


def copies(wanted: Mapping[Wanted, Need], bank: Bank) -> dict[Wanted, Samples]:
    """The needed notes as the bank has them, shape (channels, n)."""
    found = bank.copies({note: need.count for note, need in wanted.items()})
    return {note: found[note][:, : need.count or None] for note, need in wanted.items()}


def _count(stroke: Stroke, rate: float | None, slowed: float) -> int:
    if rate is None:
        return 0
    seconds = stroke.hold / RATE * slowed + AUDIBLE / rate
    return round(next((each for each in _LENGTHS if each >= seconds), _LENGTHS[-1]) * RATE)


@cache
def step_of(velocity: int) -> int:
    """The nearest velocity that the page has copies of."""
    below = round(_DB_A_DECADE * math.log10(127 / velocity) / STEP)
    return max(round(127 * 10 ** (-below * STEP / _DB_A_DECADE)), 1)


def _player(take: Take, voice: Voice, clock: Clock, bank: Bank) -> Player:
    preset, _ = resolved(voice, bank.soundfont)
    keys = {note.key for note in voice.notes}
    chokes = bank.chokes(preset, keys) if preset.percussion and keys else frozenset()
    return Player(voice, preset, tuple(_strokes(take, voice, clock, preset)), chokes)


def _strokes(take: Take, voice: Voice, clock: Clock, preset: Preset) -> Iterator[Stroke]:
    holds = _drum_holds(voice.notes) if preset.percussion else {}
    for note, bar in zip(voice.notes, _bars(take, voice.part, clock), strict=True):
        start = sample_at(note.start)
        step = step_of(note.velocity)
        yield Stroke(
            start,
            max(sample_at(note.start + note.duration) - start, 1),
            Wanted(preset, note.key, step, holds.get(note.key, 0)),
            _DB_A_DECADE * math.log10(note.velocity / step),
            bar,
        )


def _drum_holds(notes: Iterable[Played]) -> dict[int, int]:
    """One length for each drum: the power of two nearest to its usual one.

    Note-off changes nothing in most drums, and little in a cymbal's tail (measured in FluidR3 GM:
    -17 dB of a crash between 0.1 and 1.7 s, -20 dB and less of all others).
    """
    lengths: dict[int, list[float]] = {}
    for note in notes:
        lengths.setdefault(note.key, []).append(note.duration)
    return {
        key: GRID << max(round(math.log2(median(found) * RATE / GRID)), 0)
        for key, found in lengths.items()
    }


def _bars(take: Take, part: PartName, clock: Clock) -> Iterator[int]:
    """The bar that each of a part's notes is written in, in the order in which they are played."""
    written = take.score.part(part)
    assert written is not None
    events: tuple[Note | Hit, ...] = (*written.notes, *written.hits)
    for event in sorted(events, key=lambda event: (clock(event.start), _key(event))):
        yield take.chart.bar_at(event.start).number


def _key(event: Note | Hit) -> int:
    return event.key if isinstance(event, Hit) else event.pitch.midi
