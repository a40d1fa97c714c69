"""Takes as students might record them, made by code, with what was really played beside them.

A take begins with what a response asks for; a student plays or sings it, with slips; a sound plays
the student; a room, a loudspeaker, a noise or a phone's codec spoils it.  Everything follows from
the take's number.  Sounds are float32 of one channel at 44.1 kHz.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from pathlib import Path
from random import Random

import av
import numpy as np
from numpy.typing import NDArray

from benchmarks.tones import Player
from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.lesson import load
from drillgen.performance import Performance, Voice, perform
from drillgen.sound.fluidsynth import RATE
from drillgen.sound.samples import own_soundfont
from drillgen.sound.soundfonts import find_soundfonts
from drillgen.take import AskedResponse
from drillgen.take.asked import AskedTrack, of_track

Sound = NDArray[np.float32]

# Drills of every kind of line that is answered.
DRILLS = (
    *("first-two-fives", "one-bar-echoes", "from-two-notes-to-five", "two-five-arpeggios"),
    *("turnaround-roots", "paper-lantern", "porch-step-riff", "one-two-three-five"),
    *("bebop-eighths", "begin-anywhere", "blues-walking", "sung-over-roots"),
)


@dataclass(frozen=True, slots=True)
class Instrument:
    """Who plays a take."""

    name: str
    family: str  # plucked, bowed or sung
    font: str  # a soundfont's name; "own": the bank; "": made here
    program: int = 0
    octaves: int = 0  # above what is written
    sung_as: str = ""  # a vowel


@dataclass(frozen=True, slots=True)
class StudentNote:
    """A note as it was really played."""

    start: float  # seconds of the take
    duration: float
    key: int
    cents: float  # against equal temperament
    slip: str = ""  # "wrong", "extra"
    asked: float = -1.0  # where its asked note stands in the take, seconds; -1: nowhere
    rise: float = 0.0  # seconds from its start until it has a tenth of its power


@dataclass(frozen=True, slots=True)
class Take:
    """A recording with its truth."""

    sound: Sound
    track: AskedTrack
    at: float  # second of the track that it begins with
    notes: tuple[StudentNote, ...]
    instrument: Instrument
    spoiled: str


@cache
def tracks(drill: str) -> tuple[tuple[AskedTrack, Performance], ...]:
    """Every track of a preset, with the band's performance."""
    found = []
    for chart in charts(load(drill).drills[0]):
        score = arrange(chart)
        performance = perform(score)
        found.append((of_track(score, performance, str(chart.tempo)), performance))
    return tuple(found)


# What the student does.

_WRONG, _MISSING, _EXTRA = 0.06, 0.04, 0.03  # shares of the notes
_STEPS = (-3, -2, -1, 1, 2, 3, 5)  # semitones of a wrong note


def played(
    responses: Sequence[AskedResponse], at: float, random: Random, instrument: Instrument
) -> list[StudentNote]:
    """How a student answers: each take with its own tuning, lateness, length and slips."""
    tuning = random.uniform(-40, 40)
    spread = 6.0 if instrument.program in (32, 33, 34, 0) and instrument.font else 12.0
    late, jitter = random.uniform(-0.02, 0.06), random.uniform(0.008, 0.025)
    held = random.uniform(0.6, 1.0)
    found: list[StudentNote] = []
    for response in responses:
        for index, note in enumerate(response.notes):
            if random.random() < _MISSING:
                continue
            start = note.start - at + late + random.gauss(0, jitter)
            cents = tuning + random.gauss(0, spread)
            key, slip = note.key + 12 * instrument.octaves, ""
            if random.random() < _WRONG:
                key, slip = key + random.choice(_STEPS), "wrong"
            follower = response.notes[index + 1].start if index + 1 < len(response.notes) else 1e9
            span = min(note.end, follower - 0.01) - note.start
            found.append(
                StudentNote(start, max(span * held, 0.09), key, cents, slip, note.start - at)
            )
            if span > 0.9 and random.random() < _EXTRA * 4:
                half = span * held / 2
                found[-1] = replace(found[-1], duration=half - 0.02)
                found.append(
                    StudentNote(start + span / 2, half, key + random.choice(_STEPS), cents, "extra")
                )
    return [note for note in found if note.start > 0.05]


# What plays the student.


@cache
def player(font: str) -> Player:
    """A soundfont by its name or file; `own` is the bank's."""
    if font == "own":
        return Player(own_soundfont().path)
    if Path(font).suffix:
        return Player(Path(font))
    return Player(next(each.path for each in find_soundfonts() if each.path.stem == font))


@lru_cache(maxsize=4000)
def _struck(font: str, program: int, key: int, velocity: int, hold: int, drum: bool) -> Sound:
    """One note, its release included."""
    synth = player(font)
    synth.choose(drum, program)
    count = RATE * 2 if drum else hold + RATE // 3
    raw = synth.note(drum, key, velocity, hold, count)
    return np.asarray(np.asarray(raw, np.float32).mean(axis=0))


_GRAIN = RATE // 50  # samples: lengths are rounded, so that notes are rendered once


def _by_font(note: StudentNote, instrument: Instrument, random: Random) -> Sound:
    """Tuned by reading faster or slower; voices and bows waver by up to 20 cents."""
    hold = max(round(note.duration * RATE / _GRAIN), 3) * _GRAIN
    velocity = random.choice((72, 84, 100))
    raw = _struck(instrument.font, instrument.program, note.key, velocity, hold, False)
    wave = 20.0 * (instrument.family != "plucked")
    return _bent(raw, note.cents, wave, random)


def _bent(raw: Sound, cents: float, wave: float, random: Random) -> Sound:
    """A sound at another pitch, with a vibrato of 5 to 6.5 Hz that grows in a fifth of a second."""
    time = np.arange(len(raw)) / RATE
    grown = np.clip((time - 0.1) / 0.2, 0, 1)
    wavy = wave * grown * np.sin(2 * np.pi * random.uniform(5, 6.5) * time)
    places = np.cumsum(2 ** ((cents + wavy) / 1200)) - 1
    return np.interp(places, np.arange(len(raw)), raw, right=0).astype(np.float32)


# Formants, Hz, and their bandwidths, of sung vowels (a man's; Peterson & Barney, J. Acoust. Soc.
# Am. 24:175, 1952, for the first three; bandwidths common practice).
_VOWELS = {
    "a": ((730, 90), (1090, 110), (2440, 150)),
    "o": ((570, 80), (840, 100), (2410, 150)),
    "u": ((300, 70), (870, 100), (2240, 150)),
    "i": ((270, 70), (2290, 120), (3010, 180)),
}


def _sung(note: StudentNote, vowel: str, random: Random) -> Sound:
    """A vowel: harmonics of a glottal source (-12 dB an octave) through formants, breath, vibrato,
    a scoop from below into the note."""
    count = round((note.duration + 0.08) * RATE)
    time = np.arange(count) / RATE
    vibrato = random.uniform(15, 45) * np.clip((time - 0.15) / 0.25, 0, 1)
    bend = note.cents + vibrato * np.sin(2 * np.pi * random.uniform(5, 6.3) * time)
    bend -= random.uniform(0, 80) * np.exp(-time / 0.03)
    hertz = 440 * 2 ** ((note.key - 69 + bend / 100) / 12)
    phase = 2 * np.pi * np.cumsum(hertz) / RATE
    base = 440 * 2 ** ((note.key - 69) / 12)
    sound = np.zeros(count)
    for number in range(1, int(4000 / base) + 1):
        sound += _formed(number * base, vowel) / number**1.5 * np.sin(number * phase)
    breath = np.random.default_rng(random.randrange(1 << 30)).normal(0, 1, count)
    sound += 0.01 * np.abs(sound).max() * breath
    attack, release = random.uniform(0.02, 0.06), 0.08
    shape = np.clip(time / attack, 0, 1) * np.clip((note.duration + release - time) / release, 0, 1)
    sound = sound * shape
    return np.asarray(sound / np.abs(sound).max() * random.uniform(0.5, 1), np.float32)


def _formed(hertz: float, vowel: str) -> float:
    return float(sum(1 / (1 + ((hertz - f) / b) ** 2) for f, b in _VOWELS[vowel]) + 0.02)


def _plucked(note: StudentNote, random: Random) -> Sound:
    """A string by Karplus & Strong (Computer Music Journal 7:43, 1983): for tuning thresholds."""
    count = round((note.duration + 0.1) * RATE)
    hertz = 440 * 2 ** ((note.key - 69 + note.cents / 100) / 12)
    time = np.arange(count) / RATE
    sound = np.zeros(count)
    for number in range(1, 20):
        weight = np.sin(np.pi * number * 0.17) / number
        sound += (
            weight
            * np.exp(-time * (0.8 + 0.35 * number))
            * np.sin(2 * np.pi * number * hertz * time)
        )
    sound *= np.clip(time / 0.004, 0, 1) * np.clip((note.duration + 0.06 - time) / 0.06, 0, 1)
    return np.asarray(sound * random.uniform(0.4, 0.8), np.float32)


def student(
    notes: Sequence[StudentNote], instrument: Instrument, seconds: float, random: Random
) -> tuple[Sound, list[StudentNote]]:
    """All notes of a take, and nothing else; and the notes with their rise."""
    out = np.zeros(round(seconds * RATE), np.float32)
    risen = []
    for note in notes:
        if instrument.font:
            sound = _by_font(note, instrument, random)
        elif instrument.sung_as:
            sound = _sung(note, instrument.sung_as, random)
        else:
            sound = _plucked(note, random)
        _add(out, sound, note.start)
        risen.append(replace(note, rise=_rise(sound)))
    return np.asarray(out / max(float(np.abs(out).max()), 1e-6) * np.float32(0.5)), risen


def _rise(sound: Sound) -> float:
    """Seconds until a note has a tenth of the power of its loudest moment; moments of 20 ms."""
    width = RATE // 50
    powers = np.convolve(np.square(sound, dtype=np.float64), np.ones(width), "same")
    return int(np.argmax(powers >= 0.1 * powers.max())) / RATE


def _add(out: Sound, sound: Sound, at: float) -> None:
    first = round(at * RATE)
    skipped = max(-first, 0)
    piece = sound[skipped : skipped + max(len(out) - max(first, 0), 0)]
    if len(piece):
        out[max(first, 0) : max(first, 0) + len(piece)] += piece


# What spoils it.

SPOILED = ("clean", "room", "noise 20 dB", "hum", "bleed -20 dB", "bleed -10 dB", "codec")


def _power(sound: Sound) -> float:
    """Of the louder half of its tenths of a second."""
    size = RATE // 10
    pieces = np.square(sound[: len(sound) // size * size]).reshape(-1, size).mean(axis=1)
    return float(np.median(pieces[pieces >= np.median(pieces)])) + 1e-12


def spoiled(sound: Sound, how: str, take: tuple[Performance, float], random: Random) -> Sound:
    """The same in a room, with noise, with the band from a loudspeaker, through a codec."""
    draw = np.random.default_rng(random.randrange(1 << 30))
    if how == "room":
        time = np.arange(RATE // 2) / RATE
        tail = draw.normal(0, 1, len(time)) * 10 ** (-3 * time / 0.4)
        tail *= 0.35 / np.sqrt(np.square(tail).sum())
        return (sound + _convolved(sound, tail)).astype(np.float32)
    if how.startswith("noise"):
        noise = draw.normal(0, 1, len(sound))
        return _mixed(sound, noise.astype(np.float32), -20)
    if how == "hum":
        time = np.arange(len(sound)) / RATE
        hum = sum(np.sin(2 * np.pi * 50 * n * time) / n for n in (1, 2, 3, 5))
        return _mixed(sound, np.asarray(hum, np.float32), -30)
    if how.startswith("bleed"):
        return _mixed(sound, band(*take, len(sound) / RATE), float(how.split()[1]))
    if how == "codec":
        return coded(sound)
    return sound


def _convolved(sound: Sound, tail: NDArray[np.float64]) -> Sound:
    size = 1 << (len(sound) + len(tail)).bit_length()
    done = np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(tail, size), size)
    return done[: len(sound)].astype(np.float32)


def _mixed(sound: Sound, other: Sound, decibels: float) -> Sound:
    gain = np.sqrt(_power(sound) / _power(other)) * 10 ** (decibels / 20)
    return np.asarray(sound + gain * other, np.float32)


def band(performance: Performance, at: float, seconds: float) -> Sound:
    """What a loudspeaker plays of the track with its line, by the small bank."""
    out = np.zeros(round(seconds * RATE), np.float32)
    for voice in performance.voices:
        for note in voice.notes:
            if -2 < note.start - at < seconds:
                _add(out, _of_band(voice, note.key, note.velocity, note.duration), note.start - at)
    return out


def _of_band(voice: Voice, key: int, velocity: int, duration: float) -> Sound:
    hold = max(round(duration * RATE / _GRAIN), 1) * _GRAIN if not voice.percussion else _GRAIN
    steady = max(velocity // 8 * 8, 8)
    sound = _struck("TimGM6mb", voice.program, key, steady, hold, voice.percussion)
    return np.asarray(sound * np.float32(10 ** (voice.level / 20)))


_PACKET = 960  # samples at 48 kHz: 20 ms, as Opus is mostly sent


def coded(sound: Sound) -> Sound:
    """Through a phone's codec and back: Opus at 24 kbit/s."""
    wide = resampled(sound, RATE, 48000)
    wide = np.pad(wide, (0, -len(wide) % _PACKET))
    raw = io.BytesIO()
    with av.open(raw, "w", format="ogg") as out:
        stream = out.add_stream("libopus", rate=48000, layout="mono")
        stream.bit_rate = 24000
        for first in range(0, len(wide), _PACKET):
            frame = av.AudioFrame.from_ndarray(wide[None, first : first + _PACKET], "flt", "mono")
            frame.sample_rate, frame.pts = 48000, first
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    raw.seek(0)
    with av.open(raw, "r") as source:
        found = [frame.to_ndarray().reshape(-1) for frame in source.decode(audio=0)]
    return resampled(np.concatenate(found).astype(np.float32), 48000, RATE)[: len(sound)]


def resampled(sound: Sound, rate: int, wanted: int) -> Sound:
    """A sound at another rate, by libav's resampler."""
    resampler = av.AudioResampler("flt", "mono", wanted)
    frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(sound[None]), "flt", "mono")
    frame.sample_rate = rate
    pieces = [*resampler.resample(frame), *resampler.resample(None)]
    return np.concatenate([piece.to_ndarray()[0] for piece in pieces]).astype(np.float32)


def take(number: int, instruments: Sequence[Instrument]) -> Take:
    """The take of a number: instruments and ways to spoil in turn, the rest by chance."""
    random = Random(f"take {number}")
    instrument = instruments[number % len(instruments)]
    how = SPOILED[number // len(instruments) % len(SPOILED)]
    track, performance = random.choice(tracks(random.choice(DRILLS)))
    first = random.randrange(max(len(track.responses) - 3, 1))  # an ending's note is no answer
    chosen = [track.responses[first]]
    while chosen[-1].end - chosen[0].start < 10 and first + len(chosen) < len(track.responses):
        chosen.append(track.responses[first + len(chosen)])
    at = chosen[0].start - random.uniform(0.4, 2.0)
    seconds = min(chosen[-1].end - at + 0.3, 30.0)
    chosen = [each for each in chosen if each.start < at + seconds]
    notes = played(chosen, at, random, instrument)
    notes = [note for note in notes if note.start + note.duration < seconds]
    sound, notes = student(notes, instrument, seconds, random)
    sound = spoiled(sound, how, (performance, at), random)
    return Take(sound, track, at, tuple(notes), instrument, how)
