"""True peaks.

ITU-R BS.1770-5 Annex 2: the true peak is that of the signal after oversampling by four at least.
To be quick, only those moments are interpolated that lie beside a sample at least 0.6 times as loud
as the peak to be beaten.  (A sine stands between two samples of less than that only above 0.29 of
the sample rate, 13 kHz, and even there not in every period.)
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from drillgen.sound.synth import HOP, Samples

OVERSAMPLING = 4
PIECE = HOP // 18  # samples, 5.6 ms
_HALF = 8  # samples on each side that the interpolation looks at
_KAISER = 5.0
_NEAR = 0.6  # of the peak to be beaten
# Loud pieces are read in runs: across so many others, and so many in one go.
_APART, _TOGETHER = 8, 256

Reader = Callable[[int, int], Samples]  # samples from .. to, silence beyond the ends
Sizes = NDArray[np.float32]
Indices = NDArray[np.int64]


def _interpolators() -> NDArray[np.float32]:
    """Windowed sinc for the three moments between samples, shape (2 * _HALF, 3)."""
    taps = np.arange(-_HALF + 1, _HALF + 1)
    moments = np.arange(1, OVERSAMPLING) / OVERSAMPLING
    distance = taps[:, None] - moments
    window = np.i0(_KAISER * np.sqrt(np.clip(1 - (distance / _HALF) ** 2, 0, None)))
    taps_at = np.sinc(distance) * window / np.i0(_KAISER)
    return np.asarray(taps_at / taps_at.sum(axis=0), np.float32)


_TAPS = _interpolators()


def sample_peaks(block: Samples) -> Sizes:
    """The largest sample of each piece, all channels together; the last piece may be shorter."""
    sizes = np.abs(block).max(axis=0)
    if short := -len(sizes) % PIECE:
        sizes = np.append(sizes, np.zeros(short, np.float32))
    return np.asarray(sizes.reshape(-1, PIECE).max(axis=1))


def true_peak(sizes: Sizes, read: Reader) -> float:
    """The highest true peak of a track whose pieces have these sample peaks; 1.0 is full scale."""
    highest = float(sizes.max(initial=0.0))
    return float(true_peaks(sizes, read, highest).max(initial=0.0))


def true_peaks(sizes: Sizes, read: Reader, least: float) -> Sizes:
    """True peaks of all pieces.  Those that do not exceed `least` may be given as sample peaks."""
    out = sizes.copy()
    loud = np.flatnonzero(sizes > least * _NEAR)
    for pieces in runs(loud, _APART, _TOGETHER):
        begin, end = int(pieces[0]), int(pieces[-1]) + 1
        sound = read(begin * PIECE - _HALF, end * PIECE + _HALF)
        np.maximum(out[begin:end], _between(sound, least), out=out[begin:end])
    return out


def runs(places: Indices, apart: int, most: int) -> Iterator[Indices]:
    """Rising numbers, cut up where the next is more than `apart` away, and after each `most`."""
    for run in np.split(places, np.flatnonzero(np.diff(places) > apart) + 1):
        for first in range(0, len(run), most):
            yield run[first : first + most]


def _between(sound: Samples, least: float) -> Sizes:
    """What the loudest moments between samples are in each piece, 0 where none is loud.

    `sound` begins _HALF samples before the first piece and ends as many after the last.
    """
    beside = np.abs(sound[:, _HALF - 1 : 1 - _HALF])
    loud = np.maximum(beside[:, :-1], beside[:, 1:]) > least * _NEAR
    channel, place = np.nonzero(loud)
    windows = np.lib.stride_tricks.sliding_window_view(sound, 2 * _HALF, axis=1)
    between = np.abs(windows[channel, place] @ _TAPS).max(axis=1, initial=0)
    peaks = np.zeros((sound.shape[1] - 2 * _HALF) // PIECE, np.float32)
    np.maximum.at(peaks, np.minimum(place // PIECE, len(peaks) - 1), between)
    return peaks


def decibels(amplitude: float) -> float:
    return 20 * math.log10(amplitude) if amplitude > 0 else -math.inf
