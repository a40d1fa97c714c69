"""Tones: the note copies as small MP3s, one a file.

A copy is made mono, ends where nobody hears it any more, and is brought to one level, so that the
codec serves soft and loud ones alike.  Its name is its content's: drills that need the same note
share a file, and it is encoded once (kept where the bank keeps its notes).
"""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from itertools import accumulate, islice
from statistics import median
from typing import Any, TypeVar

import numpy as np

from drillgen.audio.mp3 import mp3_in_memory
from drillgen.bank.make import TAKES
from drillgen.page import Take
from drillgen.performance import Played, Voice
from drillgen.sound.fluidsynth import GRID, RATE, Samples
from drillgen.sound.loudness import LoudnessMeter, integrated
from drillgen.sound.mixer import PlacedSample, mixed, sides
from drillgen.sound.on_disk import Store
from drillgen.sound.release import sample_at, takes
from drillgen.sound.render import TARGET_LUFS
from drillgen.sound.reverb import OFF, response
from drillgen.sound.samples import Bank, DistinctNote, SoundfontPreset
from drillgen.sound.schedule import balanced, by_font
from drillgen.sound.speech import word_samples

# Which note copies the page needs, and when each is struck.
#
# As in the mixes (`sound/schedule.py`), but gathered more coarsely, since a pack is handed out:
# velocities in wider steps (what is left over becomes gain), one copy a drum whatever its length.
# What ends a note early (struck again, choked) is settled by the page, which can repeat bars.

STEP = 6.0  # dB between velocities
# SoundFont 2.04, 8.4.2: a note sounds 40 log10(127 / velocity) dB below its loudest.
_DB_A_DECADE = 40.0
AUDIBLE = -50.0  # dB: below that, in a band, nobody hears a tail
RELEASE = -150.0  # dB a second, for the few presets whose releases follow no law
# Lengths of copies in seconds: few, so that drills share them.  The last is the longest.
_LENGTHS = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)


@dataclass(frozen=True, slots=True)
class PageStroke:
    """One note of a part."""

    start: int  # sample of the track
    hold: int  # samples until note-off
    note: DistinctNote
    decibels: float  # what the copy lacks of the true velocity
    bar: int  # the bar that it is written in


@dataclass(frozen=True, slots=True)
class PagePlayer:
    """A part of a track, the preset that plays it, and its strokes in order."""

    voice: Voice
    preset: SoundfontPreset
    strokes: tuple[PageStroke, ...]
    chokes: frozenset[tuple[int, int]]  # (key, key that it silences)


@dataclass(frozen=True, slots=True)
class Need:
    """How much of a note is needed, and how it falls after note-off."""

    count: int  # samples; 0: all of it
    rate: float  # dB a second; 0: it is not ended by its note-off


Needs = dict[DistinctNote, Need]


def players(take: Take, bank: Bank) -> tuple[PagePlayer, ...]:
    """Everybody who plays in a track."""
    return tuple(_player(voice, bank) for voice in balanced(take.performance, bank).voices)


def needs(groups: Sequence[tuple[Sequence[PagePlayer], float]], bank: Bank) -> Needs:
    """What some tracks need, in the order of their time, each to be played so much slower."""
    everybody = (player for found, _ in groups for player in found)
    pitched = (player for player in everybody if not player.preset.percussion)
    melodic = {stroke.note for stroke in strokes_of(pitched)}
    rates = {note: law.rate or RELEASE for note, law in bank.laws(melodic).items()}
    counts: dict[DistinctNote, int] = {}
    for found, slowed in groups:
        for stroke in sorted(strokes_of(found), key=lambda stroke: (stroke.start, stroke.note)):
            count = _count(stroke, rates.get(stroke.note), slowed)
            counts[stroke.note] = max(counts.get(stroke.note, 0), count)
    return {note: Need(count, rates.get(note, 0.0)) for note, count in counts.items()}


def copies(wanted: Mapping[DistinctNote, Need], bank: Bank) -> dict[DistinctNote, Samples]:
    """The needed notes as the bank has them, shape (channels, n)."""
    found = bank.notes({note: need.count for note, need in wanted.items()})
    return {note: found[note].samples[:, : need.count or None] for note, need in wanted.items()}


def _count(stroke: PageStroke, rate: float | None, slowed: float) -> int:
    if rate is None:
        return 0
    seconds = stroke.hold / RATE * slowed + AUDIBLE / rate
    return round(next((each for each in _LENGTHS if each >= seconds), _LENGTHS[-1]) * RATE)


@cache
def step_of(velocity: int) -> int:
    """The nearest velocity that the page has copies of."""
    below = round(_DB_A_DECADE * math.log10(127 / velocity) / STEP)
    return max(round(127 * 10 ** (-below * STEP / _DB_A_DECADE)), 1)


def _player(voice: Voice, bank: Bank) -> PagePlayer:
    parts = by_font(voice, bank.soundfont)
    chokes: set[tuple[int, int]] = set()
    for part, preset in parts:
        keys = {note.key for note in part.notes}
        chokes |= bank.chokes(preset, keys) if preset.percussion and keys else frozenset()
    strokes = sorted(
        (stroke for part, preset in parts for stroke in _strokes(part, preset)),
        key=lambda stroke: (stroke.start, stroke.note.key),
    )
    return PagePlayer(voice, parts[0][1], tuple(strokes), frozenset(chokes))


def _strokes(voice: Voice, preset: SoundfontPreset) -> Iterator[PageStroke]:
    """In the mixes' order, and with their takes of our own sounds."""
    holds = _drum_holds(voice.notes) if preset.percussion else {}
    notes = sorted(voice.notes, key=lambda note: (sample_at(note.start), note.key))
    turns = takes((note.key for note in notes), TAKES if preset.own else 1)
    for note, take in zip(notes, turns, strict=True):
        start = sample_at(note.start)
        step = step_of(note.velocity)
        yield PageStroke(
            start,
            max(sample_at(note.start + note.duration) - start, 1),
            DistinctNote(preset.take(take), note.key, step, holds.get(note.key, 0)),
            _DB_A_DECADE * math.log10(note.velocity / step),
            note.bar,
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


QUALITY = 5  # of LAME's variable bit rates, 0 (best) to 9
_LEVEL = 0.7  # of full scale, the peak of every copy: MP3 needs some room above
_FADE = RATE // 25  # samples: the end of a copy that was cut off
_WINDOW = 441  # samples in which the end is looked for
_BATCH = 48  # notes held in memory at once

Item = TypeVar("Item")


@dataclass(frozen=True, slots=True)
class Tone:
    """A note copy as the page has it."""

    name: str  # of its file, without ending: from its SHA-256
    mp3: bytes
    count: int  # samples
    decibels: float  # what was taken from its level
    rate: float  # dB a second after note-off; 0: note-off does not end it
    key: int  # MIDI key


def trimmed(copy: Samples) -> Samples:
    """A copy in mono, shape (n,), as loud as left and right together, up to its audible end."""
    mono = copy.mean(axis=0)
    power = float(np.square(mono).mean())
    if copy.shape[0] == 2 and power > 0:
        mono *= min(math.sqrt(float(np.square(copy).mean()) / power), math.sqrt(2))
    loud = np.maximum.reduceat(np.abs(mono), np.arange(0, len(mono), _WINDOW))
    heard = np.flatnonzero(loud > loud.max() * 10 ** (AUDIBLE / 20))
    end = min((int(heard[-1]) + 2) * _WINDOW, len(mono)) if len(heard) else _WINDOW
    out: Samples = mono[:end].copy()
    fade = min(_FADE, len(out))
    out[-fade:] *= np.linspace(1, 0, fade, dtype=np.float32)
    return out


def tones(
    wanted: Needs, bank: Bank, heard: Container[DistinctNote], jobs: int | None = None
) -> tuple[dict[DistinctNote, Tone], dict[DistinctNote, Samples]]:
    """Needed notes encoded; what was encoded before comes from the cache.  Of those that are to be
    heard here the samples as well, shape (n,)."""
    store = Store(f"tones {QUALITY}")
    made: dict[DistinctNote, Tone] = {}
    kept: dict[DistinctNote, Samples] = {}
    with ThreadPoolExecutor(jobs) as pool:
        for batch in batched(wanted.items(), _BATCH):
            notes = dict(batch)
            found = copies(notes, bank)
            encoded = pool.map(lambda n: _encoded(found[n], notes[n].rate, n.key, store), notes)  # noqa: B023
            for note, (tone, samples) in zip(notes, encoded, strict=True):
                made[note] = tone
                if note in heard:
                    kept[note] = samples
    return made, kept


def batched(items: Iterable[Item], size: int) -> Iterator[list[Item]]:
    """The items in lists of at most `size` (itertools has it from Python 3.12 on)."""
    rest = iter(items)
    while batch := list(islice(rest, size)):
        yield batch


def word_tone(text: str, quick: bool) -> Tone:
    """A spoken word encoded, as loud as a band's bass at 0 dB."""
    return _encoded(word_samples(text, quick), 0.0, 0, Store(f"tones {QUALITY}"))[0]


def _encoded(copy: Samples, rate: float, key: int, store: Store) -> tuple[Tone, Samples]:
    """A copy as a tone, and as it is heard."""
    heard = trimmed(copy)
    peak = float(np.abs(heard).max()) or 1.0
    samples = heard * np.float32(_LEVEL / peak)
    name = hashlib.sha256(samples.tobytes()).hexdigest()
    decibels = 20 * math.log10(peak / _LEVEL)
    mp3 = _mp3(samples, name, store)
    return Tone(f"tone-{name[:12]}", mp3, len(samples), decibels, rate, key), heard


def _mp3(samples: Samples, address: str, store: Store) -> bytes:
    """The store keeps float32 words: bytes are packed into them and their number is a fact."""
    if (kept := store.get(address)) is not None:
        return kept[1].tobytes()[: kept[0]["bytes"]]
    data = mp3_in_memory(samples, RATE, QUALITY)
    padded = np.frombuffer(data + bytes(-len(data) % 4), "<f4").reshape(1, -1)
    store.put(address, {"bytes": len(data)}, padded)
    return data


# The room of the mixes for the page: the same impulse response, as 16-bit numbers.


def impulse(size: str | float) -> dict[str, Any] | None:
    """Left, then right, as base64 of little-endian 16-bit numbers, and their scale; None: off.

    Raises SoundError: no such room.
    """
    if size == OFF:
        return None
    samples = response(size)
    peak = float(np.abs(samples).max())
    words = np.round(samples / peak * 32767).astype("<i2")
    return {
        "taps": samples.shape[1],
        "peak": peak,
        "words": base64.b64encode(words.tobytes()).decode("ascii"),
    }


# How loud the page plays a drill: like its mixes.
#
# The page's parts can be turned up and its tempo changed, so that it limits what it plays itself.

_CEILING = 0.8  # of full scale: from there on the page limits
_OVER = 7.0  # dB that may be limited
_LISTENED = 60 * RATE  # samples


def gain(
    players: Sequence[PagePlayer],
    wanted: Needs,
    sounds: Mapping[DistinctNote, Samples],
    length: int,
) -> float:
    """The gain in dB for all parts of a track that is `length` samples long.

    With the line and without it count as one programme, as the track's two mixes do.
    """
    line = [player for player in players if player.voice.part == "line"]
    band = [player for player in players if player.voice.part != "line"]
    meters, peak = [LoudnessMeter(RATE) for _ in range(1 + bool(line and band))], 1e-9
    parts = [_placed(some, wanted, sounds) for some in (band, line) if some]
    length = min(length, _LISTENED)
    for block, *more in zip(*(mixed(notes, length, OFF) for notes in parts), strict=True):
        for meter, sound in zip(meters, accumulate([block, *more], np.add), strict=True):
            meter.feed(sound)
            peak = max(peak, float(np.abs(sound).max()))
    loudness = integrated(meters)
    most = 20 * np.log10(_CEILING / peak) + _OVER
    return round(float(min(TARGET_LUFS - loudness, most)), 1) if np.isfinite(loudness) else 0.0


def strokes_of(players: Iterable[PagePlayer]) -> Iterator[PageStroke]:
    """All that they strike."""
    return (stroke for player in players for stroke in player.strokes)


def _placed(
    players: Sequence[PagePlayer], wanted: Needs, sounds: Mapping[DistinctNote, Samples]
) -> list[PlacedSample]:
    found = []
    for player in players:
        left, right = sides(player.voice.level, player.voice.stands)
        for stroke in player.strokes:
            rate, factor = wanted[stroke.note].rate, 10 ** (stroke.decibels / 20)
            found.append(
                PlacedSample(
                    stroke.start,
                    sounds[stroke.note][np.newaxis],
                    stroke.hold if rate else None,
                    rate or AUDIBLE,
                    None,
                    left * factor,
                    right * factor,
                )
            )
    return sorted(found, key=lambda note: note.start)
