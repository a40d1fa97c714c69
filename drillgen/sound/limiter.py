"""A limiter that keeps true peaks under a ceiling: a safety, and otherwise nothing.

It works on pieces of 6 ms: a piece too loud asks for less gain, its neighbours within `_REACH` are
lowered with it, and a smoothing over twice that reach leads there and back.  The smoothed gain is
nowhere above what a piece asks for.  Where nothing is too loud, samples pass unchanged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from drillgen.sound.fluidsynth import HOP, RATE, Samples
from drillgen.sound.loudness import Floats, hop_energies, loudness_of

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


_REACH = 3  # pieces: 17 ms


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
        first, last = begin // PIECE, (begin + block.shape[1] - 1) // PIECE
        edges = self._edges[max(first, 0) : last + 2]
        if edges.min(initial=1.0) == 1:
            return block
        places = np.arange(begin, begin + block.shape[1]) / PIECE
        gains = np.interp(places, np.arange(max(first, 0), max(first, 0) + len(edges)), edges)
        return np.asarray(block * gains.astype(np.float32))


def _padded(asked: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.pad(asked, 2 * _REACH, constant_values=1.0)


# Loudness and peaks of one mix, and what the limiter does about them.

_MEASURED_TOGETHER = 14  # hops that are measured anew in one go
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
        self._highest = 0.0  # true peak of the whole
        self._peak = 0.0  # and of what is not limited

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
        self._limiter, self._peak = None, self._highest
        if decibels(self._highest) + gain <= ceiling:
            return
        most = 10 ** ((ceiling - _HEADROOM - gain) / 20)
        peaks = true_peaks(self._levels.sizes, self._read, most)
        self._limiter = Limiter(peaks, most, self._around)
        self._peak = float(np.delete(peaks, self._limiter.touched()).max(initial=0.0))

    def limited(self, sound: Samples, begin: int) -> Samples:
        """Sound of the mix from a sample on, with its peaks limited."""
        return sound if self._limiter is None else self._limiter(sound, begin)

    def limited_energies(self) -> Floats:
        """The energy of each whole hop, weighted, limited, without gain."""
        return self._limited_levels().energies

    def _limited_levels(self) -> _Levels:
        if self._limiter is None:
            return self._levels
        levels, touched = self._levels.copy(), self._limiter.touched()
        for hops in runs(np.unique(touched * PIECE // HOP), 1, _MEASURED_TOGETHER):
            self._take_limited(levels, int(hops[0]), int(hops[-1]) + 1)
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
