"""Writing 16-bit WAV with dither, whole or not at all.

Dither is triangular, two least significant bits from end to end (TPDF: Lipshitz, Wannamaker and
Vanderkooy, "Quantization and dither", JAES 40, 1992), from a fixed seed: the same sound gives the
same bytes.  Files are written by Python's `wave`, whose errors are the system's own.
"""

from __future__ import annotations

import wave
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import numpy as np

from drillgen.sound.errors import SoundError
from drillgen.sound.synth import RATE, Samples
from drillgen.whole import whole_file

FULL_SCALE = 32767
_SEED = 20
_NOISE = 1 << 19  # samples of dither, used round and round


class WavWriter:
    """An open WAV file.  Get one from `writing`."""

    def __init__(self, target: wave.Wave_write) -> None:
        self._target = target
        self._written = 0

    def write(self, block: Samples) -> None:
        """Append sound of shape (2, n), full scale at 1; what is beyond is clipped."""
        count = block.shape[1]
        scaled = block * np.float32(FULL_SCALE)
        scaled += _dither(self._written, count)
        np.rint(scaled, out=scaled)
        np.clip(scaled, -FULL_SCALE - 1, FULL_SCALE, out=scaled)
        frames = np.empty((count, 2), "<i2")
        frames[:] = scaled.T
        self._target.writeframesraw(frames.data)
        self._written += count


@contextmanager
def writing(path: Path) -> Iterator[WavWriter]:
    """A stereo file of 44.1 kHz and 16 bits, which is there only once it is complete.

    Raises:
        SoundError: it cannot be written: no such folder, no right to, no room left.
    """
    try:
        with whole_file(path) as file, wave.open(file, "wb") as target:
            target.setparams((2, 2, RATE, 0, "NONE", "not compressed"))
            yield WavWriter(target)
    except OSError as error:
        said = (error.strerror or str(error)).lower()
        raise SoundError(f"{path} cannot be written: {said}.") from error


def _dither(start: int, count: int) -> Samples:
    """`count` samples of dither for the samples from `start` on."""
    noise = _noise()
    first = start % _NOISE
    if first + count <= _NOISE:
        return noise[:, first : first + count]
    return np.take(noise, np.arange(first, first + count), axis=1, mode="wrap")


@cache
def _noise() -> Samples:
    """Differences of equally distributed numbers are triangular; in least significant bits."""
    random = np.random.RandomState(_SEED)  # its stream never changes (NEP 19)
    flat = random.random_sample((2, 2, _NOISE))
    return np.asarray(flat[0] - flat[1], np.float32)
