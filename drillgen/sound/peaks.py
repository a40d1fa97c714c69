"""True peaks, and a limiter that keeps them under a ceiling.

ITU-R BS.1770-5 Annex 2: the true peak is that of the signal after oversampling by four at least.
To be quick, only those moments are interpolated that lie beside a sample at least half as loud as
the peak to be beaten.  (A sine stands between two samples of less than half its amplitude only
above a third of the sample rate, 14.7 kHz, and even there not in every period.)
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drillgen.sound.synth import Samples

OVERSAMPLING = 4
_HALF = 8  # samples on each side that the interpolation looks at
_PIECE = 256
_KAISER = 5.0
_BATCH = 1 << 15  # moments interpolated at once: 2 MB


def _interpolators() -> NDArray[np.float32]:
    """Windowed sinc for the three moments between samples, shape (2 * _HALF, 3)."""
    taps = np.arange(-_HALF + 1, _HALF + 1)
    moments = np.arange(1, OVERSAMPLING) / OVERSAMPLING
    distance = taps[:, None] - moments
    window = np.i0(_KAISER * np.sqrt(np.clip(1 - (distance / _HALF) ** 2, 0, None)))
    taps_at = np.sinc(distance) * window / np.i0(_KAISER)
    return np.asarray(taps_at / taps_at.sum(axis=0), np.float32)


_TAPS = _interpolators()
_NEAR = 0.5  # of the peak to be beaten


def piece_peaks(samples: Samples, least: float) -> NDArray[np.float32]:
    """True peak of each whole piece of _PIECE samples, all channels together.

    `samples` has shape (channels, _HALF + k * _PIECE + _HALF): the pieces and what lies around
    them.  Peaks that do not exceed `least` may be given too low, as sample peaks.
    """
    sizes = np.abs(samples[:, _HALF : 1 - _HALF])  # one more than the pieces have
    peaks = np.asarray(sizes[:, :-1].max(axis=0).reshape(-1, _PIECE).max(axis=1))
    loud = np.maximum(sizes[:, :-1], sizes[:, 1:]) > least * _NEAR
    channels, places = np.nonzero(loud)
    windows = np.lib.stride_tricks.sliding_window_view(samples, 2 * _HALF, axis=1)
    for first in range(0, len(places), _BATCH):
        chosen = slice(first, first + _BATCH)
        near = windows[channels[chosen], places[chosen] + 1]
        between = np.abs(near @ _TAPS).max(axis=1)
        np.maximum.at(peaks, places[chosen] // _PIECE, between)
    return peaks


class TruePeakMeter:
    """Takes sound in blocks of any length."""

    def __init__(self, channels: int = 2) -> None:
        self._line: Samples = np.zeros((channels, _HALF), np.float32)
        self._peak = 0.0

    def feed(self, block: Samples) -> None:
        """`block` has shape (channels, n)."""
        line = np.concatenate([self._line, block], axis=1)
        pieces = (line.shape[1] - 2 * _HALF) // _PIECE
        if pieces > 0:
            self._measure(line[:, : pieces * _PIECE + 2 * _HALF])
            line = line[:, pieces * _PIECE :]
        self._line = line.copy()

    def peak(self) -> float:
        """The highest true peak so far, 1.0 for full scale."""
        channels, rest = self._line.shape
        padding = -(rest - _HALF) % _PIECE + _HALF
        silence = np.zeros((channels, padding), np.float32)
        self._measure(np.concatenate([self._line, silence], axis=1))
        return self._peak

    def _measure(self, samples: Samples) -> None:
        if samples.shape[1] <= 2 * _HALF:
            return
        self._peak = max(self._peak, float(np.abs(samples[:, _HALF:-_HALF]).max()))
        self._peak = max(self._peak, float(piece_peaks(samples, self._peak).max()))


def decibels(amplitude: float) -> float:
    return 20 * math.log10(amplitude) if amplitude > 0 else -math.inf


_REACH = 3  # pieces: 17 ms


class Limiter:
    """Lowers the gain around peaks above a ceiling, smoothly and before they come.

    It works on pieces of 6 ms: a piece too loud asks for less gain, its neighbours within `_REACH`
    are lowered with it, and a smoothing over twice that reach leads there and back.  The smoothed
    gain is nowhere above what a piece asks for.  Where nothing is too loud, samples pass unchanged.
    """

    def __init__(self, ceiling: float) -> None:
        """`ceiling`: amplitude."""
        self._ceiling = ceiling
        self._line: Samples = np.zeros((2, _BEFORE), np.float32)

    def feed(self, block: Samples) -> Samples:
        """Takes a block, gives what is ready: all but the last few pieces so far."""
        self._line = np.concatenate([self._line, block], axis=1)
        pieces = (self._line.shape[1] - 2 * _HALF) // _PIECE
        done = pieces - 4 * _REACH  # those with pieces enough before and after them
        if done <= 0:
            return np.zeros((2, 0), np.float32)
        out = self._line[:, _BEFORE : _BEFORE + done * _PIECE]
        peaks = piece_peaks(self._line[:, : 2 * _HALF + pieces * _PIECE], self._ceiling)
        if peaks.max() > self._ceiling:
            asked = (self._ceiling / np.maximum(peaks, self._ceiling)).astype(np.float32)
            out = np.multiply(out, _gains(asked))
        self._line = self._line[:, done * _PIECE :]
        return out

    def flush(self) -> Samples:
        """What is left; afterwards the limiter is of no use."""
        count = self._line.shape[1] - _BEFORE
        return self.feed(np.zeros((2, _BEFORE + _PIECE), np.float32))[:, :count]


_BEFORE = _HALF + 2 * _REACH * _PIECE  # samples that a piece's gain depends on, either way


def _gains(asked: NDArray[np.float32]) -> Samples:
    """Gain of each sample of the pieces 2 * _REACH from either end, from what the pieces ask.

    Drawn straight between the pieces' edges; an edge has the mean of the lowest gains around it,
    all of which heed the pieces on both its sides.
    """
    windows = np.lib.stride_tricks.sliding_window_view
    lowest = windows(asked, 2 * _REACH + 1).min(axis=1)
    edges = windows(lowest, 2 * _REACH).mean(axis=1)
    places = np.arange((len(edges) - 1) * _PIECE) / _PIECE
    return np.asarray(np.interp(places, np.arange(len(edges)), edges), np.float32)
