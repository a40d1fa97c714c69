"""Loudness and peaks of one mix, and what the limiter does about them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from drillgen.sound.limiter import Limiter
from drillgen.sound.loudness import Floats, hop_energies, loudness_of
from drillgen.sound.peaks import (
    PIECE,
    Sizes,
    decibels,
    runs,
    sample_peaks,
    true_peak,
    true_peaks,
)
from drillgen.sound.synth import HOP, RATE, Samples

_TOGETHER = 14  # hops that are measured anew in one go
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
        self._peak = 0.0  # true peak of what is not limited

    def take(self, begin: int, line: Samples) -> None:
        """Measure what begins at a sample, a multiple of HOP; `line` has the HOP before it too."""
        self._levels.take(begin, line)

    @property
    def energies(self) -> Floats:
        """The energy of each whole hop, weighted, without gain and limiter."""
        return self._levels.energies

    def find_peak(self) -> float:
        """The true peak in dB, to be asked for once all is taken in."""
        self._peak = true_peak(self._levels.sizes, self._read)
        return decibels(self._peak)

    def limit(self, gain: float, ceiling: float) -> None:
        """Have the peaks limited that would be above the ceiling.  All in dB."""
        if decibels(self._peak) + gain <= ceiling:
            return
        most = 10 ** ((ceiling - _HEADROOM - gain) / 20)
        peaks = true_peaks(self._levels.sizes, self._read, most)
        self._limiter = Limiter(peaks, most, self._around)
        self._peak = float(np.delete(peaks, self._limiter.touched()).max(initial=0.0))

    def limited(self, sound: Samples, begin: int) -> Samples:
        """Sound of the mix from a sample on, with its peaks limited."""
        return sound if self._limiter is None else self._limiter(sound, begin)

    def final(self, gain: float) -> tuple[float, float]:
        """Loudness in LUFS and true peak in dB of the mix with its gain, limited."""
        energies, peak = self.energies, self._peak
        if self._limiter is not None:
            levels, touched = self._levels.copy(), self._limiter.touched()
            for hops in runs(np.unique(touched * PIECE // HOP), 1, _TOGETHER):
                self._take_limited(levels, int(hops[0]), int(hops[-1]) + 1)
            energies, sizes = levels.energies, np.zeros_like(levels.sizes)
            sizes[touched] = levels.sizes[touched]
            peak = max(peak, true_peak(sizes, self._read_limited))
        return loudness_of([(energies, HOP)], gain), decibels(peak) + gain

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
