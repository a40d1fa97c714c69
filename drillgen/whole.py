"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO


@contextmanager
def whole_file(path: Path) -> Iterator[IO[bytes]]:
    """A file to write to that takes its name only when the block ends without an error.

    Raises OSError as writing does; then nothing is left behind, and an older file stays.
    """
    part = path.with_name(f".part-{secrets.token_hex(8)}")
    try:
        with part.open("x+b") as file:
            yield file
        part.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
