"""A file for libav to write to, whose errors come out whole.

An error raised inside libav's call-backs is lost, or comes back as one of libav's own that says
nothing of the disk.  So nothing is raised there: the first error is kept, and raised outside.
"""

from __future__ import annotations

import os
from typing import IO


class Sink:
    """What libav needs of a file: write, seek, tell."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self._error: OSError | None = None

    def write(self, data: bytes) -> int:
        try:
            if self._error is None:
                self._file.write(data)
        except OSError as error:
            self._error = error
        return len(data)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        try:
            return self._file.seek(offset, whence) if self._error is None else offset
        except OSError as error:
            self._error = error
            return offset

    def tell(self) -> int:
        return self._file.tell()

    def check(self) -> None:
        """Raise the error that there was, if any: an OSError."""
        if self._error is not None:
            raise self._error
