"""Integrated loudness by ITU-R BS.1770-5.

Annex 1 of the Recommendation: K-weighting (a shelf for the head, then a high-pass), mean square in
gating blocks of 400 ms that overlap by 75 %, an absolute gate at -70 LKFS and a relative one
10 LU below the loudness of what passed the first.  Both channels weigh 1.

The weighting runs as block filtering (Burrus, "Block implementation of digital filters", IEEE
Trans. Circuit Theory 18, 1971): a hop of 100 ms is rows of samples, each row's output is a matrix
product of its input and of the four numbers that the filters remember.  What was heard before the
last hop is forgotten by 190 dB, so each hop needs only itself and the one before, and hops may be
measured in any order.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drillgen.sound.fluidsynth import Samples

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

_LONGEST_ROW = 70  # samples: longer rows have more to multiply, shorter ones more to remember
_STATES = 4  # numbers that two second-order filters remember


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


@dataclass(frozen=True, slots=True)
class _Weighting:
    """The filters as matrices, for rows of n samples and hops of m rows."""

    samples: Samples  # (n, n): what a row's input does to its output
    kept: Samples  # (n, 4): what a row's input leaves behind
    rows: Samples  # (4 m, 4 m): what rows leave behind, to what the later rows of a hop begin with
    end: Samples  # (4 m, 4): and to what the next hop begins with
    start: Samples  # (4, 4 m): what a hop begins with, to what its rows begin with
    heard: Samples  # (4, n): what a row begins with, to its output


def hop_energies(sound: Samples, rate: int) -> Floats:
    """Energy of each hop of 100 ms after weighting, channels added up.

    `sound` has shape (channels, (1 + k) * hop): the first hop is what comes before, and is not
    measured.  Returns k numbers.
    """
    weighting = _weighting(rate)
    length = len(weighting.samples)
    per_hop = rate // 10 // length
    rows = sound.reshape(len(sound), -1, length)
    left = (rows @ weighting.kept).reshape(len(sound), -1, per_hop * _STATES)
    begin = left[:, 1:] @ weighting.rows + (left[:, :-1] @ weighting.end) @ weighting.start
    out = rows[:, per_hop:] @ weighting.samples
    out += begin.reshape(len(sound), -1, _STATES) @ weighting.heard
    hops = out.reshape(len(sound), -1, per_hop * length)
    return np.asarray(np.einsum("chn,chn->h", hops, hops), np.float64)


class LoudnessMeter:
    """Takes sound in blocks of any length; keeps the energy of every 100 ms."""

    def __init__(self, rate: int, channels: int = 2) -> None:
        self._rate, self.hop = rate, rate // 10
        self._rest = np.zeros((channels, self.hop), np.float32)  # a hop measured, and a part
        self._energies: list[Floats] = []

    def feed(self, block: Samples) -> None:
        """`block` has shape (channels, n)."""
        sound = np.concatenate([self._rest, block], axis=1)
        whole = sound.shape[1] // self.hop * self.hop
        if whole > self.hop:
            self._energies.append(hop_energies(sound[:, :whole], self._rate))
        self._rest = sound[:, whole - self.hop :].copy()

    def energies(self) -> Floats:
        """Of the hops so far."""
        return np.concatenate(self._energies) if self._energies else np.zeros(0)


def integrated(meters: Iterable[LoudnessMeter], gain: float = 0.0) -> float:
    """Loudness in LUFS of everything that the meters heard, gated together."""
    return loudness_of([(meter.energies(), meter.hop) for meter in meters], gain)


def loudness_of(programmes: Iterable[tuple[Floats, int]], gain: float = 0.0) -> float:
    """Loudness in LUFS of programmes gated together and made `gain` dB louder.

    Each is the energies of its hops, and the samples of a hop.  -inf if nothing was above the
    absolute gate.
    """
    parts = [gating_blocks(energies, hop) for energies, hop in programmes]
    blocks = np.concatenate(parts) * 10 ** (gain / 10)
    loud = _above(blocks, ABSOLUTE_GATE)
    if not len(loud):
        return -math.inf
    return lufs(_above(loud, lufs(loud) + RELATIVE_GATE))


def gating_blocks(energies: Floats, hop: int) -> Floats:
    """Mean square of each gating block of four hops."""
    if len(energies) < _HOPS:
        return np.zeros(0)
    sums = np.lib.stride_tricks.sliding_window_view(energies, _HOPS).sum(axis=1)
    return np.asarray(sums / (_HOPS * hop))


def lufs(blocks: Floats | Sequence[float]) -> float:
    """Loudness of some gating blocks' mean squares."""
    return _OFFSET + 10 * math.log10(float(np.mean(blocks)))


def _above(blocks: Floats, gate: float) -> Floats:
    return blocks[blocks > 10 ** ((gate - _OFFSET) / 10)]


@cache
def _weighting(rate: int) -> _Weighting:
    hop = rate // 10
    length = max(n for n in range(1, _LONGEST_ROW + 1) if hop % n == 0)
    count = hop // length
    step, taken, given, direct = _states(rate)
    steps = _powers(step, length)
    impulse = np.array([direct, *(given @ power @ taken for power in steps[:-2])])
    later = np.subtract.outer(np.arange(length), np.arange(length)).T
    samples = np.where(later >= 0, impulse[np.abs(later)], 0.0)
    # What is remembered is turned so that each number is as large as it will be heard.
    turn, sizes, heard = np.linalg.svd(
        np.stack([given @ power for power in steps[:-1]], axis=1), full_matrices=False
    )
    turn = turn * sizes
    kept = np.stack([power @ taken for power in steps[-2::-1]]) @ turn
    row = _powers(np.linalg.inv(turn) @ steps[-1].T @ turn, count)
    nothing = np.zeros((_STATES, _STATES))
    rows = [[row[r - 1 - q] if q < r else nothing for r in range(count)] for q in range(count)]
    matrices = (samples, kept, np.block(rows), np.vstack(row[-2::-1]), np.hstack(row[:-1]), heard)
    return _Weighting(*(np.asarray(matrix, np.float32) for matrix in matrices))


def _powers(matrix: Floats, highest: int) -> list[Floats]:
    """From the 0th to the highest, one after another."""
    powers = [np.eye(len(matrix))]
    for _ in range(highest):
        powers.append(powers[-1] @ matrix)
    return powers


def _states(rate: int) -> tuple[Floats, Floats, Floats, float]:
    """Both filters, one after the other, in state space (transposed direct form II):

    x' = step x + taken * in, out = given x + direct * in.
    """
    (step, taken, given, direct), second = (_biquad(*filter_) for filter_ in k_weighting(rate))
    step2, taken2, given2, direct2 = second
    whole = np.block([[step, np.zeros((2, 2))], [np.outer(taken2, given), step2]])
    return (
        whole,
        np.concatenate([taken, taken2 * direct]),
        np.concatenate([direct2 * given, given2]),
        direct * direct2,
    )


def _biquad(
    b: tuple[float, float, float], a: tuple[float, float, float]
) -> tuple[Floats, Floats, Floats, float]:
    step = np.array([[-a[1], 1.0], [-a[2], 0.0]])
    taken = np.array([b[1] - a[1] * b[0], b[2] - a[2] * b[0]])
    return step, taken, np.array([1.0, 0.0]), b[0]
