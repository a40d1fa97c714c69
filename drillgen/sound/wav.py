"""WAV files, written in place and in order."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from drillgen.disk import whole_file, write_at
from drillgen.errors import SoundError, reason
from drillgen.sound.fluidsynth import HOP, RATE, Samples

# Writing 16-bit WAV with dither, whole or not at all.
#
# Dither is triangular, two least significant bits from end to end (TPDF: Lipshitz, Wannamaker and
# Vanderkooy, "Quantization and dither", JAES 40, 1992), from a fixed seed: the same sound gives the
# same bytes. The format is that of "Multimedia Programming Interface and Data Specifications 1.0"
# (IBM and Microsoft, 1991): a header of 44 bytes, then the frames.

FULL_SCALE = 32767
_SEED = 20
_NOISE = 60 * HOP  # samples of dither, used round and round
_FRAME = 4  # bytes
_HEADER = struct.Struct("<4sI4s4sIHHIIHH4sI")
_LONGEST = (2**32 - 1 - _HEADER.size) // _FRAME  # frames: lengths are 32 bits


Frames = NDArray[np.int16]  # shape (n, 2), as they lie in the file


def framed(begin: int, block: Samples, factor: float = 1.0) -> Frames:
    """Sound of shape (2, n) as it is written at a sample, made louder by a factor.

    Full scale is 1; what is beyond is clipped.
    """
    scaled = block * np.float32(FULL_SCALE * factor)
    scaled += _dither(begin, block.shape[1])
    np.rint(scaled, out=scaled)
    np.clip(scaled, -FULL_SCALE - 1, FULL_SCALE, out=scaled)
    sides = scaled.astype("<i2")
    frames = np.empty(sides.shape[::-1], "<i2")
    frames[:, 0], frames[:, 1] = sides
    return frames


class WavWriter:
    """An open WAV file.  Get one from `writing`.  Several threads may write at once."""

    def __init__(self, target: IO[bytes]) -> None:
        self._target = target

    def write(self, begin: int, frames: Frames) -> None:
        """Put frames at a sample."""
        write_at(self._target, frames.data, _HEADER.size + begin * _FRAME)


@contextmanager
def writing(path: Path, length: int) -> Iterator[WavWriter]:
    """A stereo file of `length` samples, 44.1 kHz and 16 bits, there only once it is complete.

    Raises:
        SoundError: it cannot be written: no such folder, no right to, no room left, too long.
    """
    if length > _LONGEST:
        raise SoundError(f"{path.name} would be longer than a WAV file can be.")
    try:
        with whole_file(path) as file:
            file.write(_header(length))
            file.flush()
            yield WavWriter(file)
    except OSError as error:
        raise SoundError(f"{path} cannot be written: {reason(error)}.") from error


def _header(length: int) -> bytes:
    size = length * _FRAME
    form = (1, 2, RATE, RATE * _FRAME, _FRAME, 16)  # PCM, two channels, 16 bits
    rest = _HEADER.size - 8
    return _HEADER.pack(b"RIFF", rest + size, b"WAVE", b"fmt ", 16, *form, b"data", size)


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
