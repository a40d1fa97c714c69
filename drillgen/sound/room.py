"""One small room around the band.

A room is a stereo impulse response: a few early reflections, then noise that dies away, different
left and right.  It is computed, from a fixed seed, so that it needs no recording and no licence.
The send is the sum of left and right; what comes back is added to the dry sound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drillgen.sound.errors import SoundError
from drillgen.sound.fourier import Spectrum, quick_length, samples_of, spectrum_of
from drillgen.sound.synth import RATE, Samples


@dataclass(frozen=True, slots=True)
class Size:
    """What a room sounds like."""

    reverberation: float  # seconds in which the tail falls by 60 dB (RT60)
    level: float  # dB of the whole room against the dry sound
    before: float  # seconds until the first reflection
    taps: int  # length of the response in samples


# Small: a rehearsal room with a carpet; medium: a club (common values of room acoustics).
SIZES: dict[str, Size] = {
    "small": Size(0.35, -18.0, 0.006, 16384),
    "medium": Size(0.7, -16.0, 0.011, 32768),
}
OFF = "off"
_SEED = 1959
_REFLECTIONS = 9
_EARLY_SHARE = 0.35  # of the room's energy
_LOW, _HIGH = 180.0, 5500.0  # Hz: bass stays dry, walls and air swallow the treble


class Room:
    """Adds a room to sound that comes in blocks.  The tail runs on into the next block."""

    def __init__(self, size: str, block: int) -> None:
        """`block`: the most samples that will come at once.  Raises SoundError: no such room."""
        self._response = None
        if size == OFF:
            return
        if size not in SIZES:
            raise SoundError(f"There is no room {size!r}: choose off, {' or '.join(SIZES)}.")
        taps = SIZES[size].taps
        self._fft = quick_length(block + taps)
        self._response = _spectrum(size, self._fft)
        self._tail: Samples = np.zeros((2, taps), np.float32)

    def __call__(self, dry: Samples) -> Samples:
        """The block with its room, shape (2, n); `dry` is not changed."""
        if self._response is None:
            return dry
        count, taps = dry.shape[1], self._tail.shape[1]
        send = spectrum_of(dry[0] + dry[1], self._fft)
        wet = samples_of(send * self._response, self._fft)[:, : count + taps]
        wet[:, :taps] += self._tail
        self._tail = wet[:, count:].copy()
        return np.add(wet[:, :count], dry, out=wet[:, :count])


@cache
def _spectrum(size: str, length: int) -> Spectrum:
    return spectrum_of(response(size), length)


@cache
def response(size: str) -> Samples:
    """The impulse response of a room, shape (2, taps), for the sum of left and right."""
    room = SIZES[size]
    random = np.random.RandomState(_SEED)  # its stream never changes (NEP 19)
    tail = _toned(_tail(room, random))
    early = _toned(_early(room, random))
    shaped = _scaled(tail, 1 - _EARLY_SHARE) + _scaled(early, _EARLY_SHARE)
    # A source in the middle is in the send twice: half the amplitude.
    return (shaped * 10 ** (room.level / 20) / 2).astype(np.float32)


def _tail(room: Size, random: np.random.RandomState) -> NDArray[np.float64]:
    """Decaying noise; in the last tenth of the taps it is led to zero."""
    seconds = np.arange(room.taps) / RATE
    noise = random.standard_normal((2, room.taps))
    fading = 10 ** (-3 * seconds / room.reverberation)
    end = np.clip((room.taps - np.arange(room.taps)) / (room.taps / 10), 0, 1)
    starts = seconds >= 2 * room.before
    return np.asarray(noise * fading * end * starts)


def _early(room: Size, random: np.random.RandomState) -> NDArray[np.float64]:
    """Single reflections, spread over the time before the tail is dense, each to its own side."""
    out = np.zeros((2, room.taps))
    spread = room.before * (1 + 6 * np.sort(random.random_sample(_REFLECTIONS)))
    sides = random.random_sample(_REFLECTIONS)
    for seconds, side in zip(spread, sides, strict=True):
        at = int(seconds * RATE)
        out[:, at] += (room.before / seconds) * np.array([np.sqrt(side), np.sqrt(1 - side)])
    return out


def _toned(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Without what a room's walls take away, by first-order slopes."""
    count = samples.shape[1]
    frequency = np.fft.rfftfreq(2 * count, 1 / RATE)
    slope = (frequency / np.hypot(frequency, _LOW)) / np.hypot(1, frequency / _HIGH)
    return np.asarray(np.fft.irfft(np.fft.rfft(samples, 2 * count) * slope)[:, :count])


def _scaled(samples: NDArray[np.float64], energy: float) -> NDArray[np.float64]:
    """So that the energy of left and right together averages to `energy` a channel."""
    return samples * math.sqrt(2 * energy / float(np.square(samples).sum()))
