"""Blocks of sound set aside between measuring and writing: in memory while short, else on disk."""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import numpy as np

from drillgen.sound.closing import Closing
from drillgen.sound.synth import Samples

_IN_MEMORY = 16 << 20  # bytes a tape


class Tape(Closing):
    """Use it in a `with` block.  Several threads may play it at once when it is complete."""

    def __init__(self, folder: Path) -> None:
        """`folder`: where a long tape goes, as a file without a name."""
        self._folder = folder
        self._blocks: list[Samples] = []
        self._bytes = 0
        self._places: list[tuple[int, int]] = []  # byte offset, samples of blocks on disk
        self._file: IO[bytes] | None = None
        self._lock = threading.Lock()

    def close(self) -> None:
        """Forget what was recorded."""
        self._blocks.clear()
        if self._file is not None:
            self._file.close()

    def record(self, block: Samples) -> None:
        """Append a block of shape (2, n)."""
        self._bytes += block.nbytes
        if self._bytes <= _IN_MEMORY:
            self._blocks.append(block)
            return
        if self._file is None:
            # Closed on exit.
            self._file = tempfile.TemporaryFile(dir=self._folder)  # noqa: SIM115
        offset = self._file.tell()
        self._file.write(np.ascontiguousarray(block).data)
        self._places.append((offset, block.shape[1]))

    def play(self) -> Iterator[Samples]:
        """The blocks from the first one on; they must not be changed."""
        yield from self._blocks
        for offset, count in self._places:
            yield self._read(offset, count)

    def _read(self, offset: int, count: int) -> Samples:
        assert self._file is not None
        block = np.empty((2, count), np.float32)
        with self._lock:
            self._file.seek(offset)
            self._file.readinto(block.data)  # type: ignore[attr-defined]  # buffered readers have it
        return block
