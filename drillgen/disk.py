"""This machine's disk: files whole or not at all, and the folders that belong to the person.

By platformdirs: on Linux the XDG Base Directory Specification, on macOS and Windows their makers'
guidelines.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from platformdirs import user_cache_path, user_data_path


@contextmanager
def whole_file(path: Path, room: Path | None = None) -> Iterator[IO[bytes]]:
    """A file to write to that takes its name only when the block ends without an error.

    `room`: a folder on the same disk where it lies until then; beside its place by default.
    Raises OSError as writing does; then nothing is left behind, and an older file stays.
    """
    part = (room or path.parent) / f".part-{secrets.token_hex(8)}"
    try:
        with part.open("x+b") as file:
            yield file
        part.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise


def is_regular(path: Path) -> bool:
    """Whether a plain file lies there, which can be read to its end: no link, pipe or device."""
    try:
        return stat.S_ISREG(os.lstat(path).st_mode)
    except OSError:
        return False


# Reading and writing at a place of an open file, by several threads at once.

_LOCK = threading.Lock()  # where the system cannot do both in one step (Windows)


def write_at(file: IO[bytes], content: memoryview, place: int) -> None:
    """Write all of `content` as it lies in memory.  Raises OSError as writing does."""
    content = content.cast("B")
    while content:
        done = _write(file, content, place)
        content, place = content[done:], place + done


def read_at(file: IO[bytes], target: memoryview, place: int) -> None:
    """Fill `target`, which must be contiguous; what is beyond the end stays as it was."""
    target = target.cast("B")
    if hasattr(os, "preadv"):
        os.preadv(file.fileno(), [target], place)
        return
    with _LOCK:
        file.seek(place)
        target[:] = file.read(len(target))


def _write(file: IO[bytes], content: memoryview, place: int) -> int:
    if hasattr(os, "pwrite"):
        return os.pwrite(file.fileno(), content, place)
    with _LOCK:
        file.seek(place)
        done = file.write(content)
        file.flush()
        return done


_NAME = "drillgen"


def cache_dir() -> Path:
    """What can be made again: rendered notes, checksums.  Not created here."""
    own = os.environ.get("DRILLGEN_CACHE")
    return Path(own).expanduser() if own else user_cache_path(_NAME, appauthor=False)


def data_dir() -> Path:
    """What the person put there: soundfonts.  Not created here."""
    return user_data_path(_NAME, appauthor=False)


# One process at a time.

_PLACE = 1 << 30  # the byte that is locked, far behind any text in the file, which others may read
_LOOK = 0.05  # seconds between two looks whether others are done

if sys.platform == "win32":
    import msvcrt

    def lock(descriptor: int) -> None:
        """Lock an open file until it is closed.  Raises BlockingIOError: another process has it."""
        os.lseek(descriptor, _PLACE, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError as error:
            raise BlockingIOError from error
        os.lseek(descriptor, 0, os.SEEK_SET)

else:
    import fcntl

    def lock(descriptor: int) -> None:
        """Lock an open file until it is closed.  Raises BlockingIOError: another process has it."""
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


@contextmanager
def alone(path: Path) -> Iterator[None]:
    """Wait until no other process is within the same file's `alone`.  The file is made, and stays;
    where a disk knows no locks, nobody waits."""
    with path.open("ab") as file:
        while True:
            try:
                lock(file.fileno())
                break
            except BlockingIOError:
                time.sleep(_LOOK)
            except OSError:
                break
        yield
