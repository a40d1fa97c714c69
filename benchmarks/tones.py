"""Measures of single notes and of a bar of brushes, as a soundfont sounds through FluidSynth.

Arrays are float64, one channel, 44.1 kHz, and begin with the note.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drillgen.performance import Voice
from drillgen.sound.fluidsynth import GRID, RATE, Samples, Synth
from drillgen.sound.loudness import k_weighting
from drillgen.sound.soundfont_file import chunks
from drillgen.sound.soundfonts import PERCUSSION_BANK

Floats = NDArray[np.float64]

_MELODIC, _PERCUSSION = 0, 9  # MIDI channel indices
_HOP = 441  # samples: 10 ms
_PIECE = 50 * GRID


class Player(Synth):
    """A synthesiser whose banks can be chosen too: a take of ours is a bank."""

    def __init__(self, soundfont: Path) -> None:
        super().__init__(soundfont)
        self.path = soundfont

    def choose(self, percussion: bool, program: int, bank: int = 0) -> bool:
        """Choose a preset; False if the soundfont has no such preset."""
        channel = _PERCUSSION if percussion else _MELODIC
        self._selected.pop(channel, None)
        chosen = self._f.fluid_synth_program_select(
            self._synth, channel, self._font, PERCUSSION_BANK if percussion else bank, program
        )
        return bool(chosen == 0)

    def heard(
        self, percussion: bool, key: int, velocity: int, hold: float, seconds: float
    ) -> Floats:
        """One note, padded with silence to `seconds`."""
        count = round(seconds * RATE)
        raw = _one_channel(self.note(percussion, key, velocity, round(hold * RATE), count))
        return np.pad(raw, (0, max(count - len(raw), 0)))[:count]

    def strokes(self, voice: Voice, first: float, last: float, keys: set[int] | None) -> Floats:
        """A drum part from one second to another, or some of its keys."""
        events = []
        for number, note in enumerate(voice.notes):
            if first <= note.start < last and (keys is None or note.key in keys):
                events.append((note.start, 1, number))
                events.append((note.start + note.duration, 0, number))
        parts, done = [], 0
        self.clear()
        for second, on, number in sorted(events):
            note = voice.notes[number]
            until = round((min(second, last) - first) * RATE / GRID) * GRID
            if until > done:
                parts.append(self.read(until - done))
                done = until
            if on:
                self.on(True, note.key, note.velocity)
            else:
                self.off(True, note.key)
        parts.append(self.read(max(round((last - first) * RATE / GRID) * GRID - done, GRID)))
        self.clear()
        return _one_channel(np.concatenate(parts, axis=1))


def _one_channel(samples: Samples) -> Floats:
    return np.asarray(np.asarray(samples, np.float64).mean(axis=0))


def cents_off(sound: Floats, key: int) -> float:
    """How far the first partial is from equal temperament on A4 = 440 Hz (ISO 16), in cents.

    The peak of a Hann-windowed spectrum from 0.1 s on, its top found by a parabola through the
    logarithms (Smith, Spectral Audio Signal Processing, "Quadratic interpolation").
    """
    wanted = 440.0 * 2.0 ** ((key - 69) / 12)
    part = sound[RATE // 10 : RATE // 10 + round(RATE * 1.2)]
    size = 1 << 19
    levels = np.abs(np.fft.rfft(part * np.hanning(len(part)), size))
    low, high = (round(wanted * factor * size / RATE) for factor in (0.94, 1.06))
    top = low + int(np.argmax(levels[low:high]))
    before, peak, after = np.log(levels[top - 1 : top + 2] + 1e-30)
    place = top + 0.5 * (before - after) / (before - 2 * peak + after)
    return float(1200 * math.log2(place * RATE / size / wanted))


def weighted(sound: Floats, above: float = 0.0) -> float:
    """Loudness of the whole as BS.1770's K-weighting has it, ungated, in dB; of what lies above a
    frequency in Hz if one is given."""
    size = 1 << math.ceil(math.log2(len(sound)))
    spectrum = np.fft.rfft(sound, size)
    hertz = np.fft.rfftfreq(size, 1 / RATE)
    z = np.exp(-2j * np.pi * hertz / RATE)
    for b, a in k_weighting(RATE):
        spectrum *= (b[0] + b[1] * z + b[2] * z * z) / (a[0] + a[1] * z + a[2] * z * z)
    spectrum[hertz < above] = 0
    power = float(np.square(np.abs(spectrum)).sum()) * 2 / size / len(sound)
    return 10 * math.log10(power + 1e-20)


def envelope(sound: Floats, seconds: float = 0.05) -> Floats:
    """RMS in windows of some seconds, one every 10 ms."""
    power = np.concatenate([[0.0], np.cumsum(np.square(sound))])
    width = round(seconds * RATE)
    starts = np.arange(0, len(sound) - width, _HOP)
    return np.asarray(np.sqrt(np.maximum(power[starts + width] - power[starts], 0) / width))


def seconds_to(sound: Floats, below: float) -> float:
    """Seconds from the loudest moment until the sound stays `below` dB under it; the whole
    length if it never does."""
    levels = envelope(sound)
    top = int(np.argmax(levels))
    above = np.flatnonzero(levels >= levels[top] * 10 ** (-below / 20))
    return float((above[-1] - top + 1) * _HOP / RATE)


def attack(sound: Floats) -> float:
    """Milliseconds in which the highest level reached so far goes from a tenth to nine tenths of
    the first 50 ms, two periods of a low E (a rise time in the sense of IEEE 181)."""
    reached = np.maximum.accumulate(np.abs(sound[: RATE // 20]))
    first, last = (int(np.argmax(reached >= reached[-1] * part)) for part in (0.1, 0.9))
    return (last - first) * 1000 / RATE


def centroid(sound: Floats) -> float:
    """The centre of gravity of the amplitude spectrum of the first half second, Hz."""
    part = sound[: RATE // 2]
    levels = np.abs(np.fft.rfft(part * np.hanning(2 * len(part))[len(part) :]))
    hertz = np.fft.rfftfreq(len(part), 1 / RATE)
    return float((levels * hertz).sum() / levels.sum())


def likeness(one: Floats, other: Floats, moved: float = 0.0) -> float:
    """The correlation of the first half second of two sounds; the highest, if one is moved by up
    to some seconds either way."""
    first, second = (np.pad(sound[: RATE // 2], (0, RATE // 2)) for sound in (one, other))
    product = np.fft.irfft(np.fft.rfft(first) * np.conj(np.fft.rfft(second)))
    most = round(moved * RATE)
    near = np.concatenate([product[: most + 1], product[len(product) - most :]])
    return float(near.max() / np.sqrt(np.square(first).sum() * np.square(second).sum()))


def steps(values: Sequence[float]) -> float:
    """The largest difference between neighbours."""
    return float(np.abs(np.diff(np.asarray(values))).max())


# What a soundfont's tables say of a preset's samples (SoundFont 2.04, section 7).

_INSTRUMENT, _SAMPLE, _MODES = 41, 53, 54  # generators (8.1.2)
_COMPRESSED = 0x10  # a sample's type in SF3: its start is a byte, its loop counts from its start
_HEADER = struct.Struct("<20sIIIIIBbHH")


def seconds_before_it_repeats(path: Path, program: int) -> float:
    """Seconds to the end of the loop, or of the sample, in the median of a preset's samples."""
    tables = _tables(path)
    heads = [
        struct.unpack_from("<20sHHH", tables[b"phdr"], at) for at in _every(tables, b"phdr", 38)
    ]
    names = [
        struct.unpack_from("<20sH", tables[b"inst"], at)[1] for at in _every(tables, b"inst", 22)
    ]
    number = next(n for n, (_, own, bank, _) in enumerate(heads) if (own, bank) == (program, 0))
    zones = range(heads[number][3], heads[number + 1][3])
    found: dict[int, float] = {}
    for outer in (_generators(tables, b"p", zone) for zone in zones):
        if _INSTRUMENT in outer:
            for zone in range(names[outer[_INSTRUMENT]], names[outer[_INSTRUMENT] + 1]):
                inner = _generators(tables, b"i", zone)
                if _SAMPLE in inner:
                    looped = bool(inner.get(_MODES, 0) & 1)
                    found[inner[_SAMPLE]] = _seconds(tables, inner[_SAMPLE], looped)
    return float(np.median(list(found.values())))


def _seconds(tables: dict[bytes, bytes], number: int, looped: bool) -> float:
    _, start, end, _, last, rate, *_, kind = _HEADER.unpack_from(
        tables[b"shdr"], number * _HEADER.size
    )
    compressed = kind & _COMPRESSED
    first = 0 if compressed else start
    return float(((last - first) if looped or compressed else (end - start)) / rate)


def _generators(tables: dict[bytes, bytes], letter: bytes, zone: int) -> dict[int, int]:
    bags = np.frombuffer(tables[letter + b"bag"], "<u2").reshape(-1, 2)
    kinds = np.frombuffer(tables[letter + b"gen"], "<u2").reshape(-1, 2)
    return dict(map(tuple, kinds[bags[zone, 0] : bags[zone + 1, 0]].tolist()))


def _every(tables: dict[bytes, bytes], name: bytes, size: int) -> range:
    return range(0, len(tables[name]), size)


def _tables(path: Path) -> dict[bytes, bytes]:
    tables = {}
    size = path.stat().st_size
    with path.open("rb") as file:
        for kind, start, end in chunks(file, 12, size, path):
            file.seek(start)
            if kind == b"LIST" and file.read(4) == b"pdta":
                for name, first, last in chunks(file, start + 4, end, path):
                    file.seek(first)
                    tables[name] = file.read(last - first)
    return tables
