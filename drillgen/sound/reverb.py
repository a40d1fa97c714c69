"""A small room for the band: its impulse response, and the convolution that adds it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drillgen.sound.fluidsynth import HOP, RATE, Samples

# Fourier transforms in single precision: half the memory, and enough for sound.
#
# NumPy computes them in the precision of the input from version 2 on; before, it is only slower.

Spectrum = NDArray[np.complex64]


def spectrum_of(samples: Samples, length: int) -> Spectrum:
    """The spectrum of real samples along the last axis, padded with zeros to `length`."""
    return np.fft.rfft(samples, length).astype(np.complex64, copy=False)


def samples_of(spectrum: Spectrum, length: int) -> Samples:
    """`length` real samples from a spectrum along the last axis."""
    return np.fft.irfft(spectrum, length).astype(np.float32, copy=False)


@cache
def quick_length(least: int) -> int:
    """The next length with only the factors 2, 3, 5 and 7, at which the transform is quick."""
    while _rest(least) != 1:
        least += 1
    return least


def _rest(number: int) -> int:
    for factor in (2, 3, 5, 7):
        while number % factor == 0:
            number //= factor
    return number


# One small room around the band.
#
# A room is a stereo impulse response: a few early reflections, then noise that dies away, different
# left and right. It is computed, from a fixed seed, so that it needs no recording and no licence.
# The send is the sum of left and right; what comes back is added to the dry sound.
#
# Walls and air swallow the treble, so a room needs no more than a third of the sample rate: the
# send is thinned out, convolved there, and filled up again (Crochiere and Rabiner, "Multirate
# digital signal processing", 1983, chapter 2). Both filters are matrices that are applied to rows
# of _ROW samples, since matrix products are what computers are quickest at.

# Seconds in which the tail falls by 60 dB (RT60).  Small: a rehearsal room with a carpet; medium: a
# club; large: a hall (common values of room acoustics).
SIZES = {"small": 0.35, "medium": 0.7, "large": 1.2}
OFF = "off"
_SEED = 1959
_REFLECTIONS = 9
_EARLY_SHARE = 0.35  # of the room's energy
_LOW, _HIGH = 180.0, 5500.0  # Hz: bass stays dry, walls and air swallow the treble

_THIN = 3  # one sample of so many
_ROW = 63  # samples; HOP is a multiple of it, and it of _THIN
_SLIM = _ROW // _THIN
_DELAY = _ROW // _THIN  # thin samples that both filters together are late by
_KAISER = 4.5


@dataclass(frozen=True, slots=True)
class Size:
    """What a room sounds like."""

    reverberation: float  # seconds in which the tail falls by 60 dB (RT60)

    @property
    def level(self) -> float:
        """dB of the whole room against the dry sound: larger rooms are given a little more."""
        return -18.0 + 2 * math.log2(self.reverberation / SIZES["small"])

    @property
    def before(self) -> float:
        """Seconds until the first reflection."""
        return float(0.006 * (self.reverberation / SIZES["small"]) ** 0.87)

    @property
    def taps(self) -> int:
        """Length of the response in thin samples."""
        return -(-round(1.06 * self.reverberation * RATE) // _THIN)


def size_of(room: str | float) -> Size | None:
    """A room by its name or its reverberation time in seconds; None: off."""
    if room == OFF:
        return None
    return Size(SIZES[room] if isinstance(room, str) else room)


class Reverb:
    """Adds a room to sound that comes in blocks.  The tail runs on into the next block."""

    def __init__(self, room: str | float) -> None:
        self._size = size_of(room)
        if self._size is not None:
            self._tail: Samples = np.zeros((2, self._size.taps), np.float32)
            self._sent: Samples = np.zeros((1, _ROW), np.float32)
            self._came: Samples = np.zeros((2, 1, _SLIM), np.float32)

    @property
    def memory(self) -> int:
        """Samples of the past that a sample depends on, as a multiple of HOP."""
        return 0 if self._size is None else (-(-self._size.taps * _THIN // HOP) + 1) * HOP

    def __call__(self, dry: Samples) -> Samples:
        """The block with its room, shape (2, n); `dry` may be changed.

        All blocks but the last must be multiples of _ROW long.
        """
        if self._size is None:
            return dry
        count = dry.shape[1]
        rows = -(-count // _ROW)
        send = np.zeros((rows + 1, _ROW), np.float32)
        send[:1] = self._sent
        np.add(dry[0], dry[1], out=send[1:].reshape(-1)[:count])
        self._sent = send[-1:]
        first, second = _thinning()
        thin = np.asarray(send[:-1] @ first + send[1:] @ second, np.float32)
        wet = self._filled(self._convolved(self._size, thin.reshape(-1)))
        return np.add(dry, wet[:, :count], out=dry)

    def _convolved(self, size: Size, thin: Samples) -> Samples:
        count, taps = len(thin), size.taps
        length = quick_length(count + taps)
        wet = samples_of(spectrum_of(thin, length) * _spectrum(size, length), length)
        wet[:, :taps] += self._tail
        self._tail = wet[:, count : count + taps].copy()
        return wet[:, :count]

    def _filled(self, wet: Samples) -> Samples:
        rows = np.concatenate([self._came, wet.reshape(2, -1, _SLIM)], axis=1)
        self._came = rows[:, -1:]
        both = np.concatenate([rows[:, :-1], rows[:, 1:]], axis=2)
        return np.asarray((both @ _filling()).reshape(2, -1), np.float32)


@cache
def _low_pass() -> NDArray[np.float64]:
    """Windowed sinc for a third of the band, _ROW taps; the sum is 1."""
    places = np.arange(_ROW) - (_ROW - 1) / 2
    taps = np.sinc(places / _THIN) * np.kaiser(_ROW, _KAISER)
    return np.asarray(taps / taps.sum())


@cache
def _thinning() -> tuple[Samples, Samples]:
    """What the row before and a row itself have in a thinned row: thin[k] is at _THIN * k."""
    whole = np.zeros((2 * _ROW, _SLIM))
    for column in range(_SLIM):
        last = _ROW + column * _THIN
        whole[last - _ROW + 1 : last + 1, column] = _low_pass()[::-1]
    halves = whole.astype(np.float32)
    return halves[:_ROW], halves[_ROW:]


@cache
def _filling() -> Samples:
    """What the thin row before and a thin row itself, side by side, have in a full row."""
    whole = np.zeros((2 * _SLIM, _ROW))
    for row in range(2 * _SLIM):
        for tap, factor in enumerate(_low_pass() * _THIN):
            place = (row - _SLIM) * _THIN + tap
            if 0 <= place < _ROW:
                whole[row, place] = factor
    return whole.astype(np.float32)


@cache
def response(room: str | float) -> Samples:
    """The impulse response of a room, shape (2, taps), for the sum of left and right."""
    size = size_of(room)
    assert size is not None, "no room has no response"
    return _whole(_thin_response(size)).astype(np.float32)


def _whole(thin: NDArray[np.float64]) -> NDArray[np.float64]:
    """At the full rate: filled up, with both filters."""
    count = thin.shape[1]
    spread = np.zeros((2, count * _THIN))
    spread[:, ::_THIN] = thin
    both = np.convolve(_low_pass(), _low_pass())
    return np.stack([np.convolve(side, both) for side in spread])


@cache
def _spectrum(size: Size, length: int) -> Spectrum:
    return spectrum_of(_thin_response(size).astype(np.float32), length)


@cache
def _thin_response(size: Size) -> NDArray[np.float64]:
    random = np.random.RandomState(_SEED)  # its stream never changes (NEP 19)
    tail = _toned(_tail(size, random))
    early = _toned(_early(size, random))
    shaped = _scaled(tail, 1 - _EARLY_SHARE) + _scaled(early, _EARLY_SHARE)
    # A source in the middle is in the send twice: half the amplitude.
    return shaped * 10 ** (size.level / 20) / 2


def _tail(size: Size, random: np.random.RandomState) -> NDArray[np.float64]:
    """Decaying noise; in the last tenth of the taps it is led to zero."""
    seconds = np.arange(size.taps) * _THIN / RATE
    noise = random.standard_normal((2, size.taps))
    fading = 10 ** (-3 * seconds / size.reverberation)
    end = np.clip((size.taps - np.arange(size.taps)) / (size.taps / 10), 0, 1)
    starts = seconds >= 2 * size.before
    return np.asarray(noise * fading * end * starts)


def _early(size: Size, random: np.random.RandomState) -> NDArray[np.float64]:
    """Single reflections, spread over the time before the tail is dense, each to its own side."""
    out = np.zeros((2, size.taps))
    spread = size.before * (1 + 6 * np.sort(random.random_sample(_REFLECTIONS)))
    sides = random.random_sample(_REFLECTIONS)
    for seconds, side in zip(spread, sides, strict=True):
        at = max(round(seconds * RATE / _THIN) - _DELAY, 0)
        out[:, at] += (size.before / seconds) * np.array([np.sqrt(side), np.sqrt(1 - side)])
    return out


def _toned(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Without what a room's walls take away, by first-order slopes."""
    count = samples.shape[1]
    frequency = np.fft.rfftfreq(2 * count, _THIN / RATE)
    slope = (frequency / np.hypot(frequency, _LOW)) / np.hypot(1, frequency / _HIGH)
    return np.asarray(np.fft.irfft(np.fft.rfft(samples, 2 * count) * slope)[:, :count])


def _scaled(samples: NDArray[np.float64], energy: float) -> NDArray[np.float64]:
    """So that the energy of left and right together averages to `energy` a channel."""
    return samples * math.sqrt(2 * energy / float(np.square(_whole(samples)).sum()))
