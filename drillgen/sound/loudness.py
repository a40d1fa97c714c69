"""Loudness, and the limiter that keeps peaks under a ceiling.

Integrated loudness is that of ITU-R BS.1770-5.

Annex 1 of the Recommendation: K-weighting (a shelf for the head, then a high-pass), mean square in
gating blocks of 400 ms that overlap by 75 %, an absolute gate at -70 LKFS and a relative one
10 LU below the loudness of what passed the first.  Both channels weigh 1.

The weighting runs as block filtering (Burrus, "Block implementation of digital filters", IEEE
Trans. Circuit Theory 18, 1971): a hop of 100 ms is rows of samples, each row's output is a matrix
product of its input and of the four numbers that the filters remember.  What was heard before the
last hop is forgotten by 190 dB, so each hop needs only itself and the one before, and hops may be
measured in any order.

A limiter that keeps true peaks under a ceiling: a safety, and otherwise nothing.

It works on pieces of 6 ms: a piece too loud asks for less gain, its neighbours within `_REACH` are
lowered with it, and a smoothing over twice that reach leads there and back.  The smoothed gain is
nowhere above what a piece asks for.  Where nothing is too loud, samples pass unchanged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drillgen.sound.fluidsynth import HOP, RATE, Samples

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


# True peaks.
#
# ITU-R BS.1770-5 Annex 2: the true peak is that of the signal after oversampling by four at least.
# To be quick, only those moments are interpolated that lie beside a sample at least 0.6 times as
# loud as the peak to be beaten. (A sine stands between two samples of less than that only above
# 0.29 of the sample rate, 13 kHz, and even there not in every period.)

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
    sizes = np.abs(block[0])
    for channel in block[1:]:
        np.maximum(sizes, np.abs(channel), out=sizes)
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


_REACH = 3  # pieces: 17 ms
_RAMP = np.arange(PIECE, dtype=np.float32) / PIECE


class Limiter:
    """The gain over a whole track."""

    def __init__(self, peaks: Sizes, ceiling: float, around: bool = False) -> None:
        """`peaks`: true peak of each piece; `ceiling`: amplitude; `around`: the track is a loop."""
        asked = (ceiling / np.maximum(peaks, ceiling)).astype(np.float64)
        padded = np.pad(asked, 2 * _REACH, mode="wrap") if around else _padded(asked)
        windows = np.lib.stride_tricks.sliding_window_view
        lowest = windows(padded, 2 * _REACH + 1).min(axis=1)
        # At the edges between pieces: the mean of what is lowest around, all of which heed the
        # pieces on both sides.
        self._edges = windows(lowest, 2 * _REACH).mean(axis=1)

    def touched(self) -> Indices:
        """The pieces that are changed."""
        return np.flatnonzero((self._edges[:-1] < 1) | (self._edges[1:] < 1))

    def __call__(self, block: Samples, begin: int) -> Samples:
        """A block of shape (2, n) that begins at a sample of the track; drawn straight between."""
        edges = self._around(begin, begin + block.shape[1])
        if edges.min(initial=1.0) == 1:
            return block
        rising = (edges[1:] - edges[:-1]).astype(np.float32)
        gains = (edges[:-1, None].astype(np.float32) + rising[:, None] * _RAMP).ravel()
        first = begin % PIECE
        return np.asarray(block * gains[first : first + block.shape[1]])

    def gains(self, begin: int, end: int) -> bytes:
        """Equal where the same is done; empty where nothing is."""
        edges = self._around(begin, end)
        return b"" if edges.min(initial=1.0) == 1 else edges.tobytes()

    def _around(self, begin: int, end: int) -> Floats:
        """The gains at the edges of all pieces that lie there, at least in part; beyond the
        track's ends they go on as at the ends."""
        first, last = begin // PIECE, (end - 1) // PIECE + 1
        edges = self._edges[max(first, 0) : last + 1]
        if first < 0 or len(edges) <= last - first:
            before = max(-first, 0)
            edges = np.pad(edges, (before, last - first + 1 - len(edges) - before), mode="edge")
        return np.asarray(edges)


def _padded(asked: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.pad(asked, 2 * _REACH, constant_values=1.0)


# Loudness and peaks of one mix, and what the limiter does about them.

_MEASURED_TOGETHER = 14  # hops that are measured anew in one go
_RISES = 0.3  # dB by which the gain mostly rises when what was limited is given back
_HEADROOM = 0.1  # dB that the limiter stays below the ceiling, for the dither's sake


class _Levels:
    """How loud a mix is, hop by hop and piece by piece."""

    def __init__(self, energies: Floats, sizes: Sizes) -> None:
        """`energies`: of each whole hop, weighted; `sizes`: the sample peak of each piece."""
        self.energies, self.sizes = energies, sizes

    def copy(self) -> _Levels:
        return _Levels(self.energies.copy(), self.sizes.copy())

    def take(self, begin: int, line: Samples) -> None:
        """See `Measured.take`."""
        hops = line.shape[1] // HOP - 1
        at = begin // HOP
        if hops:
            self.energies[at : at + hops] = hop_energies(line[:, : (hops + 1) * HOP], RATE)
        sizes = sample_peaks(line[:, HOP:])
        self.sizes[begin // PIECE : begin // PIECE + len(sizes)] = sizes


class Measured:
    """What is known of a mix.  Different stretches may be taken in by different threads."""

    def __init__(self, length: int, play: Callable[[int, int], Samples], around: bool) -> None:
        """`play`: the mix from a sample to another, once all of it has been taken in."""
        self._length, self._play, self._around = length, play, around
        sizes = np.zeros(-(-length // PIECE), np.float32)
        self._levels = _Levels(np.zeros(length // HOP), sizes)
        self._limiter: Limiter | None = None
        self._limited: _Levels | None = None  # as the limiter leaves it
        self._peaks: tuple[float, Sizes] | None = None  # true ones above the first
        self._highest = 0.0  # true peak of the whole
        self._peak = 0.0  # and of what is not limited

    def take_from(self, other: Measured, begin: int, count: int) -> None:
        """As `take`, where another mix has been measured that is the same there."""
        for own, theirs, size in (
            (self._levels.energies, other._levels.energies, HOP),
            (self._levels.sizes, other._levels.sizes, PIECE),
        ):
            part = slice(begin // size, -(-(begin + count) // size))
            own[part] = theirs[part]

    def take(self, begin: int, line: Samples) -> None:
        """Measure what begins at a sample, a multiple of HOP; `line` has the HOP before it too."""
        self._levels.take(begin, line)

    @property
    def energies(self) -> Floats:
        """The energy of each whole hop, weighted, without gain and limiter."""
        return self._levels.energies

    def find_peak(self) -> float:
        """The true peak in dB, to be asked for once all is taken in."""
        self._highest = self._peak = true_peak(self._levels.sizes, self._read)
        return decibels(self._highest)

    def limit(self, gain: float, ceiling: float) -> None:
        """Have the peaks limited that would be above the ceiling, and no others.  All in dB."""
        self._limiter, self._limited, self._peak = None, None, self._highest
        if decibels(self._highest) + gain <= ceiling:
            return
        most = 10 ** ((ceiling - _HEADROOM - gain) / 20)
        peaks = self._true_peaks(most)
        self._limiter = Limiter(peaks, most, self._around)
        self._peak = float(np.delete(peaks, self._limiter.touched()).max(initial=0.0))

    def _true_peaks(self, least: float) -> Sizes:
        """The true peaks above `least`: looked for a little below it, for the gain may rise yet."""
        if self._peaks is None or self._peaks[0] > least:
            first = least * 10 ** (-_RISES / 20)
            self._peaks = first, true_peaks(self._levels.sizes, self._read, first)
        return self._peaks[1]

    def gains(self, begin: int, end: int) -> bytes:
        """What the limiter does there: equal where it does the same; empty where it does
        nothing."""
        return b"" if self._limiter is None else self._limiter.gains(begin, end)

    def limited(self, sound: Samples, begin: int) -> Samples:
        """Sound of the mix from a sample on, with its peaks limited."""
        return sound if self._limiter is None else self._limiter(sound, begin)

    def limited_energies(self) -> Floats:
        """The energy of each whole hop, weighted, limited, without gain."""
        return self._limited_levels().energies

    def _limited_levels(self) -> _Levels:
        if self._limiter is None:
            return self._levels
        if self._limited is not None:
            return self._limited
        levels, touched = self._levels.copy(), self._limiter.touched()
        changed = np.array(list(dict.fromkeys((touched * PIECE // HOP).tolist())), np.int64)
        for hops in runs(changed, 1, _MEASURED_TOGETHER):
            self._take_limited(levels, int(hops[0]), int(hops[-1]) + 1)
        self._limited = levels
        return levels

    def final(self, gain: float) -> tuple[float, float]:
        """Loudness in LUFS and true peak in dB of the mix with its gain, limited."""
        levels, peak = self._limited_levels(), self._peak
        if self._limiter is not None:
            touched, sizes = self._limiter.touched(), np.zeros_like(levels.sizes)
            sizes[touched] = levels.sizes[touched]
            peak = max(peak, true_peak(sizes, self._read_limited))
        return loudness_of([(levels.energies, HOP)], gain), decibels(peak) + gain

    def _take_limited(self, levels: _Levels, first: int, end: int) -> None:
        """Measure some hops anew, and the one after them, which still hears them."""
        last = min((end + 1) * HOP, self._length)
        levels.take(first * HOP, self._read_limited((first - 1) * HOP, last))

    def _read_limited(self, begin: int, end: int) -> Samples:
        return self.limited(self._read(begin, end), begin)

    def _read(self, begin: int, end: int) -> Samples:
        """The mix, with silence beyond its ends, or a loop's other end."""
        if begin >= 0 and end <= self._length:
            return self._play(begin, end)
        if self._around and begin < 0:
            before = self._read(begin + self._length, self._length)
            return np.concatenate([before, self._read(0, end)], axis=1)
        if self._around and begin < self._length:
            after = self._read(0, end - self._length)
            return np.concatenate([self._read(begin, self._length), after], axis=1)
        out = np.zeros((2, end - begin), np.float32)
        first, last = max(begin, 0), min(end, self._length)
        if first < last:
            out[:, first - begin : last - begin] = self._play(first, last)
        return out
