"""The limiter's reach and the room's colour: what an ear would notice."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from drillgen.sound.loudness import PIECE, Limiter, sample_peaks, true_peaks
from drillgen.sound.reverb import response
from tests.sound.helpers import silence_around

RATE = 44100


@pytest.mark.parametrize("side", [-1, 1])
def test_the_limiter_reaches_no_further_than_the_ear_masks(side: int) -> None:
    """10 ms from a peak the gain is already lowered, 45 ms from it nothing is: a dip of that length
    lies under the peak's own masking (about 20 ms before and 100 after: common practice)."""
    signal = np.full((2, RATE), 0.3, np.float32)
    signal[:, 22000:22010] = 0.9
    limiter = Limiter(true_peaks(sample_peaks(signal), silence_around(signal), 0.5), 0.5)
    gain = (limiter(signal, 0) / signal)[0]
    assert gain[22005 + side * RATE * 10 // 1000] < 0.99
    assert gain[22005 + side * RATE * 25 // 1000] < 1
    assert gain[22005 + side * RATE * 45 // 1000] == 1


def test_a_loop_is_limited_as_it_goes_round() -> None:
    """As the middle one of three rounds is: no step is heard where it begins again."""
    count = 40
    peaks = np.random.default_rng(1).uniform(0.1, 1.0, count).astype(np.float32)
    sound = np.ones((2, count * PIECE), np.float32)
    alone = Limiter(peaks, 0.5, around=True)(sound, 0)
    rounds = Limiter(np.tile(peaks, 3), 0.5)(np.tile(sound, 3), 0)
    assert alone == pytest.approx(rounds[:, count * PIECE : 2 * count * PIECE])


def _band(spectrum: Any, low: float, high: float) -> float:
    hertz = np.fft.rfftfreq(2 * (spectrum.shape[1] - 1), 1 / RATE)
    inside = (hertz >= low) & (hertz < high)
    return 10 * float(np.log10(np.mean(np.abs(spectrum[:, inside]) ** 2)))


@pytest.mark.parametrize("size", ["small", "medium", "large"])
def test_the_bass_stays_dry_and_the_treble_is_swallowed(size: str) -> None:
    """Against 0.5 to 2 kHz the room gives back at least 6 dB less below 80 Hz, less than 3 dB less
    from 250 to 350 Hz, and at least 20 dB less above 8 kHz (common practice: a high-pass of about
    200 Hz before a reverb, and air and walls above 5 kHz)."""
    spectrum = np.fft.rfft(response(size), 1 << 17)
    middle = _band(spectrum, 500, 2000)
    assert middle - _band(spectrum, 20, 80) >= 6
    assert middle - _band(spectrum, 250, 350) < 3
    assert middle - _band(spectrum, 8000, 16000) >= 20


@pytest.mark.parametrize("seconds", [1.0, 2.0, 3.0])
def test_the_rooms_tail_is_as_long_as_asked(seconds: float) -> None:
    """To 3 % of the reverberation time: the slope of Schroeder's backward integration from -5 to
    -35 dB by least squares, as ISO 3382 evaluates T30."""
    energy = np.square(response(seconds).astype(np.float64)).sum(axis=0)
    decay = np.cumsum(energy[::-1])[::-1]
    levels = 10 * np.log10(decay / decay[0] + 1e-12)
    first, last = (int(np.argmax(levels < threshold)) for threshold in (-5, -35))
    slope = np.polyfit(np.arange(first, last) / RATE, levels[first:last], 1)[0]
    assert -60 / slope == pytest.approx(seconds, rel=0.03)
