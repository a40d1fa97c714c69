"""One build at a time in a folder: a lock that the system lets go when its owner dies."""

from __future__ import annotations

import contextlib
import os
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from drillgen.pack.files import PackError

_NAME = ".building"
_PLACE = 1 << 30  # the byte that is locked, far behind the text, which others may read
_MODE = os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)


@contextmanager
def only_build(pack: Path) -> Iterator[None]:
    """Hold a pack's lock.

    Raises PackError, which says who has it, where another build has; OSError as files do.
    """
    path = pack / _NAME
    descriptor = _held(path)
    try:
        said = f"process {os.getpid()} on {socket.gethostname()} since {time.strftime('%H:%M:%S')}"
        os.truncate(path, 0)
        os.write(descriptor, said.encode("utf-8"))
        yield
    finally:
        _let_go(path, descriptor)


def _held(path: Path) -> int:
    """A descriptor of the lock's file, locked."""
    while True:
        descriptor = os.open(path, _MODE, 0o644)
        try:
            _lock(descriptor)
            if _is_there(path, descriptor):
                return descriptor
        except BlockingIOError:
            os.close(descriptor)
            raise PackError(_busy(path)) from None
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)  # its last owner removed it meanwhile


def _busy(path: Path) -> str:
    owner = ""
    with contextlib.suppress(OSError):
        owner = path.read_text("utf-8", errors="replace")[:100].strip()
    by = f" by {owner}" if owner else ""
    return f"{path.parent} is being built{by}; wait until that has finished, or name another folder"


def _is_there(path: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False


if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        os.lseek(descriptor, _PLACE, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError as error:
            raise BlockingIOError from error
        os.lseek(descriptor, 0, os.SEEK_SET)

    def _let_go(path: Path, descriptor: int) -> None:
        os.close(descriptor)
        with contextlib.suppress(OSError):  # the next build may have it open already
            path.unlink()

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _let_go(path: Path, descriptor: int) -> None:
        with contextlib.suppress(OSError):
            path.unlink()
        os.close(descriptor)
