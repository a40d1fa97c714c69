"""Integrated loudness by ITU-R BS.1770-5, in blocks.

Annex 1 of the Recommendation: K-weighting (a shelf for the head, then a high-pass), mean square in
gating blocks of 400 ms that overlap by 75 %, an absolute gate at -70 LKFS and a relative one
10 LU below the loudness of what passed the first.  Both channels weigh 1.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drillgen.sound.fourier import Spectrum, samples_of, spectrum_of
from drillgen.sound.synth import Samples

Floats = NDArray[np.float64]
Biquad = tuple[tuple[float, float, float], tuple[float, float, float]]  # b and a, a[0] = 1

ABSOLUTE_GATE = -70.0  # LKFS
RELATIVE_GATE = -10.0  # LU
_OFFSET = -0.691  # dB; BS.1770 equation 2
_HOPS = 4  # of 100 ms in a gating block

# The analogue filters behind the Recommendation's table of coefficients for 48 kHz, from which
# those for other rates follow by the same bilinear transform (found by solving for them; the
# tests compare with the table).
_SHELF_HZ, _SHELF_DB, _SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
_SHELF_SLOPE = 0.4996667741545416
_PASS_HZ, _PASS_Q = 38.13547087602444, 0.5003270373238773

_TAPS = 4096  # at 44.1 kHz the high-pass has died away by 190 dB after these
_PIECE = 6 * _TAPS  # samples filtered at a time: with the taps 28672 = 7 * 4096 for the FFT


def k_weighting(rate: float) -> tuple[Biquad, Biquad]:
    """The two filters for a sample rate, in the order in which they are applied."""
    return _shelf(rate), _high_pass(rate)


def _shelf(rate: float) -> Biquad:
    k = math.tan(math.pi * _SHELF_HZ / rate)
    high = 10 ** (_SHELF_DB / 20)
    band = high**_SHELF_SLOPE
    a0 = 1 + k / _SHELF_Q + k * k
    b = (high + band * k / _SHELF_Q + k * k, 2 * (k * k - high), high - band * k / _SHELF_Q + k * k)
    return (b[0] / a0, b[1] / a0, b[2] / a0), _poles(k, _SHELF_Q)


def _high_pass(rate: float) -> Biquad:
    """The Recommendation leaves the numerator at 1 -2 1, unnormalised."""
    return (1.0, -2.0, 1.0), _poles(math.tan(math.pi * _PASS_HZ / rate), _PASS_Q)


def _poles(k: float, q: float) -> tuple[float, float, float]:
    a0 = 1 + k / q + k * k
    return 1.0, 2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0


class LoudnessMeter:
    """Takes sound in blocks of any length; keeps the energy of every 100 ms."""

    def __init__(self, rate: int, channels: int = 2) -> None:
        self._hop = rate // 10
        self._response = _response(rate)
        self._past = np.zeros((channels, _TAPS - 1), np.float32)
        self._rest = np.zeros((channels, 0), np.float32)  # weighted, less than a hop
        self._energies: list[Floats] = []

    def feed(self, block: Samples) -> None:
        """`block` has shape (channels, n)."""
        weighted = np.concatenate([self._rest, self._weighted(block)], axis=1)
        whole = weighted.shape[1] // self._hop * self._hop
        hops = weighted[:, :whole].reshape(len(weighted), -1, self._hop)
        self._energies.append(np.einsum("chn,chn->h", hops, hops).astype(np.float64))
        self._rest = weighted[:, whole:].copy()

    def blocks(self) -> Floats:
        """Mean square of each gating block so far, channels added up."""
        hops = np.concatenate(self._energies) if self._energies else np.zeros(0)
        if len(hops) < _HOPS:
            return np.zeros(0)
        sums = np.lib.stride_tricks.sliding_window_view(hops, _HOPS).sum(axis=1)
        return np.asarray(sums / (_HOPS * self._hop))

    def _weighted(self, block: Samples) -> Samples:
        """Filter by overlap-save: pieces with the taps before them, as one batch of FFTs."""
        channels, count = block.shape
        pieces = -(-count // _PIECE)
        line = np.zeros((channels, _TAPS + pieces * _PIECE), np.float32)
        line[:, 1:_TAPS] = self._past
        line[:, _TAPS : _TAPS + count] = block
        self._past = line[:, count + 1 : count + _TAPS].copy()
        length = _TAPS + _PIECE
        windows = np.lib.stride_tricks.sliding_window_view(line, length, axis=1)[:, ::_PIECE]
        spectra = spectrum_of(windows, length)
        spectra *= self._response
        out = samples_of(spectra, length)[:, :, _TAPS:]
        return np.ascontiguousarray(out).reshape(channels, -1)[:, :count]


def integrated(meters: Iterable[LoudnessMeter], gain: float = 0.0) -> float:
    """Loudness in LUFS of everything that the meters heard, gated together, made `gain` dB louder.

    -inf if nothing was above the absolute gate.
    """
    blocks = np.concatenate([meter.blocks() for meter in meters]) * 10 ** (gain / 10)
    loud = _above(blocks, ABSOLUTE_GATE)
    if not len(loud):
        return -math.inf
    return lufs(_above(loud, lufs(loud) + RELATIVE_GATE))


def lufs(blocks: Floats | Sequence[float]) -> float:
    """Loudness of some gating blocks' mean squares."""
    return _OFFSET + 10 * math.log10(float(np.mean(blocks)))


def _above(blocks: Floats, gate: float) -> Floats:
    return blocks[blocks > 10 ** ((gate - _OFFSET) / 10)]


@cache
def _response(rate: int) -> Spectrum:
    """Frequency response of the weighting at the bins of the overlap-save FFT."""
    count = _TAPS + _PIECE
    z = np.exp(-2j * np.pi * np.arange(count // 2 + 1) / count)
    both = np.ones_like(z)
    for b, a in k_weighting(rate):
        both *= np.polyval(b[::-1], z) / np.polyval(a[::-1], z)
    return np.asarray(both, np.complex64)
