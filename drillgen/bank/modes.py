"""What all models are made of: sums of dying sinusoids, noise of a given colour, and chance.

Random numbers are the same on every machine and with every NumPy.

NumPy promises the stream of a bit generator for ever, but not what `Generator` makes of it ("Random
Generator: compatibility policy", NumPy's manual), so only raw bits are taken from it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_BITS = 53  # of a 64-bit float's mantissa


class Chance:
    """A stream of numbers that depends on what it is for, and on nothing else."""

    def __init__(self, *purpose: object) -> None:
        words = " ".join(str(part) for part in purpose)
        seed = int.from_bytes(hashlib.sha256(words.encode("utf-8")).digest()[:8], "little")
        self._bits = np.random.PCG64(seed)

    def even(self, count: int, low: float = 0.0, high: float = 1.0) -> Floats:
        """Evenly spread from `low` up to `high`."""
        raw = self._bits.random_raw(count) >> np.uint64(64 - _BITS)
        return low + (high - low) * (raw.astype(np.float64) / 2.0**_BITS)

    def one(self, low: float, high: float) -> float:
        """One number from `low` up to `high`."""
        return float(self.even(1, low, high)[0])

    def bell(self, count: int) -> Floats:
        """Normally spread, mean 0 and deviation 1 (Box & Muller, Ann. Math. Stat. 29, 1958)."""
        radius = np.sqrt(-2.0 * np.log(1.0 - self.even(count)))
        return radius * np.cos(2.0 * np.pi * self.even(count))


_BLOCK = 256  # samples
_AT_ONCE = 12  # modes
_LASTS = 1.7  # of the time to 60 dB down: a mode is over after 102 dB
TO_60_DB = float(np.log(1000.0))  # a level of e to the minus this is 60 dB down


@dataclass(frozen=True)
class Modes:
    """Sinusoids that die away, one an entry: the free vibration of anything that is struck."""

    hertz: Floats
    t60: Floats  # seconds until 60 dB down
    size: Floats  # at the start
    phase: Floats  # radians; 0 begins at nought and rises

    def but(self, size: Floats) -> Modes:
        """The same modes of other sizes."""
        return Modes(self.hertz, self.t60, size, self.phase)

    def longer(self, times: float) -> Modes:
        """The same modes that ring so many times as long."""
        return Modes(self.hertz, self.t60 * times, self.size, self.phase)


def joined(*parts: Modes) -> Modes:
    """All modes of several."""
    return Modes(
        *(
            np.concatenate([getattr(part, field) for part in parts])
            for field in ("hertz", "t60", "size", "phase")
        )
    )


def audible(modes: Modes, share: float) -> Modes:
    """Without modes that are smaller than a share of the largest."""
    kept = np.abs(modes.size) >= np.abs(modes.size).max() * share
    return Modes(modes.hertz[kept], modes.t60[kept], modes.size[kept], modes.phase[kept])


def seconds_to_fall(modes: Modes, decibels: float) -> float:
    """When the energy of modes, beats left out, has fallen by some decibels; to a thousandth."""
    low, high = 0.0, float(modes.t60.max())
    energy = np.square(modes.size)
    left = energy.sum() * 10 ** (-decibels / 10)
    while high - low > high / 1000:
        middle = (low + high) / 2
        now = (energy * np.exp(-2 * TO_60_DB / modes.t60 * middle)).sum()
        low, high = (middle, high) if now > left else (low, middle)
    return high


def ring(modes: Modes, count: int, rate: float) -> Floats:
    """The sum of modes below the Nyquist frequency, `count` samples at `rate` Hz.

    Modes that die early are reckoned no longer than they last.
    """
    order = np.argsort(modes.t60, kind="stable")
    order = order[modes.hertz[order] < rate * 0.49]
    whole = np.zeros(-(-count // _BLOCK) * _BLOCK)
    for first in range(0, len(order), _AT_ONCE):
        some = order[first : first + _AT_ONCE]
        lasts = min(count, int(modes.t60[some].max() * _LASTS * rate) + _BLOCK)
        part = _ring(modes, some, -(-lasts // _BLOCK), rate)
        whole[: len(part)] += part
    return whole[:count]


def _ring(modes: Modes, some: NDArray[np.intp], blocks: int, rate: float) -> Floats:
    """Some modes' sum.  A sample's time is its block's plus its place in the block, so that each
    mode's exponential is a product of two short ones."""
    speed = (-TO_60_DB / modes.t60[some] + 2j * np.pi * modes.hertz[some]) / rate  # a sample
    start = modes.size[some] * np.exp(1j * (modes.phase[some] - np.pi / 2))
    coarse = start[:, None] * np.exp(speed[:, None] * (np.arange(blocks) * float(_BLOCK)))
    fine = np.exp(speed[:, None] * np.arange(float(_BLOCK)))
    # The real part of the product, as one sum over real and imaginary parts.  einsum rather than
    # a matrix product: no library for linear algebra, hence no threads and one order.
    left = np.concatenate([coarse.real, -coarse.imag])
    right = np.concatenate([fine.real, fine.imag])
    return np.asarray(np.einsum("kb,kj->bj", left, right, optimize=False).ravel())


def coloured(chance: Chance, count: int, rate: float, colour: Callable[[Floats], Floats]) -> Floats:
    """Noise of RMS 1 whose spectrum is `colour` of the frequency in Hz; it loops without a seam."""
    hertz = np.arange(count // 2 + 1, dtype=np.float64) * (rate / count)
    spectrum = colour(hertz) * np.exp(2j * np.pi * chance.even(len(hertz)))
    spectrum[0] = 0.0
    noise = np.fft.irfft(spectrum, count)
    return np.asarray(noise / np.sqrt(np.mean(np.square(noise))))


def band(low: float, high: float, slope: float = 4.0) -> Callable[[Floats], Floats]:
    """A colour: level between two edges in Hz, falling beyond as the power `slope` of frequency."""

    def level(hertz: Floats) -> Floats:
        hertz = np.maximum(hertz, 1.0)
        return np.asarray(
            1.0
            / np.sqrt((1.0 + (low / hertz) ** (2 * slope)) * (1.0 + (hertz / high) ** (2 * slope)))
        )

    return level


def times(count: int, rate: float) -> Floats:
    """The seconds at which samples lie."""
    return np.arange(count) / rate


def dying(count: int, rate: float, t60: float) -> Floats:
    """A level that falls by 60 dB in `t60` seconds."""
    return np.exp(-TO_60_DB / t60 * times(count, rate))


def rising(count: int, rate: float, seconds: float) -> Floats:
    """From 0 to 1 along half a cosine, then 1."""
    level = np.ones(count)
    rises = min(count, int(np.ceil(seconds * rate)))
    level[:rises] = 0.5 - 0.5 * np.cos(np.pi * times(rises, rate) / seconds)
    return level


def faded(sound: Floats, rate: float, seconds: float) -> Floats:
    """The same sound with its last `seconds` faded out along half a cosine."""
    return sound * rising(len(sound), rate, seconds)[::-1]


def added(*sounds: Floats) -> Floats:
    """Several sounds from the same start, as long as the longest."""
    whole = np.zeros(max(len(sound) for sound in sounds))
    for sound in sounds:
        whole[: len(sound)] += sound
    return whole
