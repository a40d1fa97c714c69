"""A pitch judge for recorded notes: McLeod and Wyvill, "A smarter way to find pitch" (International
Computer Music Conference 2005), and the published table that it is held to.

librosa's YIN and pYIN would do as well, but Numba compiles for 40 s in each worker that loads them.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from tests.conftest import DATA

_ROWS = list(csv.DictReader((DATA / "equal_temperament_a440.csv").open(encoding="utf-8")))
HERTZ = {int(row["midi"]): float(row["hz"]) for row in _ROWS}  # A4 = 440 Hz: ISO 16
NAMES = {int(row["midi"]): row["name"] for row in _ROWS}  # C4, Db4

_PERIODS = 4  # of the lowest pitch in a frame
_NEAR = 0.9  # of the highest peak: the first peak as high is the period (the paper's k)
_CLEAR = 0.6  # a lower one is noise


def pitches(sound: NDArray[Any], rate: int, low: float, high: float) -> list[float]:
    """Hertz of each frame that has a pitch from `low` to `high`; frames of four periods of the
    lowest, each beginning a quarter later than the one before."""
    size = round(_PERIODS * rate / low)
    lags = slice(int(rate / high), int(rate / low) + 2)
    frames = (sound[at : at + size] for at in range(0, len(sound) - size + 1, size // 4))
    return [rate / period for frame in frames for period in _period(frame, lags)]


def pitch(sound: NDArray[Any], rate: int, low: float, high: float) -> float:
    """The median of `pitches`: of tones of equal temperament within a cent (`test_pitch.py`)."""
    return float(np.median(pitches(sound, rate, low, high)))


def _period(frame: NDArray[Any], lags: slice) -> Iterator[float]:
    """Samples, where there is one: the normalized square difference's first high peak, by a
    parabola through its three points."""
    alike = _alike(frame.astype(float))[: lags.stop]
    peaks, _ = scipy.signal.find_peaks(alike)
    peaks = peaks[peaks >= lags.start]
    if len(peaks) and (highest := alike[peaks].max()) > _CLEAR:
        at = peaks[np.argmax(alike[peaks] >= _NEAR * highest)]
        before, top, after = alike[at - 1 : at + 2]
        yield float(at + (before - after) / (2 * (before - 2 * top + after)))


def _alike(frame: NDArray[Any]) -> NDArray[Any]:
    """By lag, 1 where the frame is the same again: 2 r / m of the paper."""
    products = scipy.signal.correlate(frame, frame, method="fft")[len(frame) - 1 :]
    power = np.concatenate([[0], np.cumsum(frame**2)])
    energy = power[:0:-1] + power[-1] - power[:-1]
    return 2 * products / np.maximum(energy, 1e-12)
