"""Loudness and peaks of one mix, and what the limiter does about them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from drillgen.sound.limiter import Indices, Limiter
from drillgen.sound.loudness import Floats, hop_energies, loudness_of
from drillgen.sound.peaks import PIECE, decibels, sample_peaks, true_peak, true_peaks
from drillgen.sound.synth import HOP, RATE, Samples

_HEADROOM = 0.1  # dB that the limiter stays below the ceiling, for the dither's sake


class Measured:
    """What is known of a mix.  Different stretches may be taken in by different threads."""

    def __init__(self, length: int, play: Callable[[int, int], Samples], around: bool) -> None:
        """`play`: the mix from a sample to another, once all of it has been taken in."""
        self._length, self._play, self._around = length, play, around
        self.energies = np.zeros(length // HOP)
        self._sizes = np.zeros(-(-length // PIECE), np.float32)
        self._limiter: Limiter | None = None
        self._peak = 0.0

    def take(self, begin: int, line: Samples) -> None:
        """Measure what begins at a sample, a multiple of HOP; `line` has the HOP before it too."""
        hops = line.shape[1] // HOP - 1
        at = begin // HOP
        if hops:
            self.energies[at : at + hops] = hop_energies(line[:, : (hops + 1) * HOP], RATE)
        sizes = sample_peaks(line[:, HOP:])
        self._sizes[begin // PIECE : begin // PIECE + len(sizes)] = sizes

    def find_peak(self) -> float:
        """The true peak in dB, to be asked for once all is taken in."""
        self._peak = true_peak(self._sizes, self._read)
        return decibels(self._peak)

    def limit(self, gain: float, ceiling: float) -> None:
        """Have the peaks limited that would be above the ceiling.  All in dB."""
        if decibels(self._peak) + gain <= ceiling:
            return
        most = 10 ** ((ceiling - _HEADROOM - gain) / 20)
        peaks = true_peaks(self._sizes, self._read, most)
        self._limiter = Limiter(peaks, most, self._around)

    def limited(self, sound: Samples, begin: int) -> Samples:
        """Sound of the mix from a sample on, with its peaks limited."""
        return sound if self._limiter is None else self._limiter(sound, begin)

    def final(self, gain: float) -> tuple[float, float]:
        """Loudness in LUFS and true peak in dB of the mix with its gain, limited."""
        energies, peak = self.energies, self._peak
        if self._limiter is not None:
            touched = self._limiter.touched()
            energies = self._energies_after(np.unique(touched * PIECE // HOP))
            sizes = self._sizes.copy()
            for piece in touched.tolist():
                sound = self._read_limited(piece * PIECE, (piece + 1) * PIECE)
                sizes[piece] = np.abs(sound).max()
            peak = true_peak(sizes, self._read_limited)
        return loudness_of([(energies, HOP)], gain), decibels(peak) + gain

    def _energies_after(self, hops: Indices) -> Floats:
        """Each hop that was changed, and the one after it, which still hears it."""
        energies = self.energies.copy()
        for hop in np.union1d(hops, hops + 1).tolist():
            if hop < len(energies):
                sound = self._read_limited((hop - 1) * HOP, (hop + 1) * HOP)
                energies[hop] = hop_energies(sound, RATE)[0]
        return energies

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
