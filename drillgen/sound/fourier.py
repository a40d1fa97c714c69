"""Fourier transforms in single precision: half the memory, and enough for sound.

NumPy computes them in the precision of the input from version 2 on; before, it is only slower.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from drillgen.sound.synth import Samples

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
