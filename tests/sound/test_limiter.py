"""The limiter: a safety, and otherwise nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scipy

from drillgen.sound.loudness import Limiter, sample_peaks, true_peaks
from tests.sound.helpers import silence_around


def limited(signal: Any, ceiling: float, block: int) -> Any:
    peaks = true_peaks(sample_peaks(signal), silence_around(signal), ceiling)
    limiter = Limiter(peaks, ceiling)
    places = range(0, signal.shape[1], block)
    return np.concatenate([limiter(signal[:, n : n + block], n) for n in places], axis=1)


def bursts() -> Any:
    random = np.random.default_rng(5)
    signal = random.standard_normal((2, 150000)).astype(np.float32) * 0.02
    for place in (0, 30000, 98300, 149990):
        count = min(400, 150000 - place)
        signal[:, place : place + count] += np.sin(np.arange(count) * 0.9).astype(np.float32)
    return signal


@pytest.mark.parametrize("block", [1000, 98304, 150000])
def test_ceiling_holds(block: int) -> None:
    """No true peak passes the ceiling, by eightfold oversampling in scipy (0.1 dB of tolerance)."""
    out = limited(bursts(), 0.5, block)
    assert out.shape == (2, 150000)
    oversampled = scipy.signal.resample_poly(out.astype(np.float64), 8, 1, axis=1, padtype="line")
    assert np.abs(oversampled).max() <= 0.5 * 10 ** (0.1 / 20)


def test_far_from_peaks_nothing_changes() -> None:
    """A tenth of a second away from what is too loud, samples are exactly what they were."""
    signal = bursts()
    out = limited(signal, 0.5, 98304)
    assert np.array_equal(out[:, 8000:25000], signal[:, 8000:25000])
    assert not np.array_equal(out[:, 30000:30400], signal[:, 30000:30400])


def test_gain_is_smooth() -> None:
    """The gain moves by less than 0.1 dB from one sample to the next: it does not click."""
    signal = np.full((2, 60000), 0.4, np.float32)
    signal[:, 30000:30010] = 0.9
    gain = limited(signal, 0.5, 60000)[0] / signal[0]
    steps = np.abs(np.diff(20 * np.log10(gain)))
    assert steps.max() < 0.1
    assert gain.min() < 0.6
