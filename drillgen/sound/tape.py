"""Sound set aside between measuring and writing: in memory while short, else on disk."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import IO

import numpy as np

from drillgen.sound.closing import Closing
from drillgen.sound.positioned import read_at, write_at
from drillgen.sound.synth import Samples

_IN_MEMORY = 112 << 20  # bytes: five minutes of one stereo group


class Tape(Closing):
    """Some stereo tracks side by side, all as long.  Use it in a `with` block, from any thread."""

    def __init__(self, folder: Path, tracks: int, length: int) -> None:
        """`folder`: where a long tape goes, as a file without a name."""
        self._length = length
        self._sound: Samples | None = None
        self._file: IO[bytes] | None = None
        if tracks * length * 8 <= _IN_MEMORY:
            self._sound = np.empty((tracks, 2, length), np.float32)
        else:
            # Closed on exit.
            self._file = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115

    def close(self) -> None:
        """Forget what was recorded."""
        self._sound = None
        if self._file is not None:
            self._file.close()

    def record(self, track: int, begin: int, block: Samples) -> None:
        """Put a block of shape (2, n) into its place.  Raises OSError."""
        if self._sound is not None:
            self._sound[track, :, begin : begin + block.shape[1]] = block
            return
        assert self._file is not None
        for side in (0, 1):
            write_at(
                self._file, np.ascontiguousarray(block[side]).data, self._at(track, side, begin)
            )

    def play(self, track: int, begin: int, end: int) -> Samples:
        """What lies from `begin` to `end`, within the tape; it must not be changed."""
        if self._sound is not None:
            return self._sound[track, :, begin:end]
        assert self._file is not None
        block = np.zeros((2, end - begin), np.float32)
        for side in (0, 1):
            read_at(self._file, block[side].data, self._at(track, side, begin))
        return block

    def _at(self, track: int, side: int, begin: int) -> int:
        return ((2 * track + side) * self._length + begin) * 4
