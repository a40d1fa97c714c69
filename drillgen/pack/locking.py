"""One build at a time in a folder: a lock that the system lets go when its owner dies."""

from __future__ import annotations

import contextlib
import os
import re
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from drillgen.pack.files import PackError

NAME = ".building"
_WORDS = re.compile(r"process \d+ on .* since \d\d:\d\d:\d\d")  # as `only_build` writes them
_PLACE = 1 << 30  # the byte that is locked, far behind the text, which others may read
_MODE = os.O_RDWR | os.O_CREAT
for _flag in ("O_BINARY", "O_CLOEXEC", "O_NOFOLLOW"):  # not every system has each of them
    _MODE |= getattr(os, _flag, 0)


def is_held(pack: Path) -> bool:
    """Whether a build is at work in a folder, or was killed there: the lock's file says so."""
    return bool(_WORDS.fullmatch(_said(pack / NAME)))


def is_free(pack: Path) -> bool:
    """Whether a lock may be made: there is none yet, or one of a build's, or an empty one, which a
    build leaves that is killed as it begins."""
    path = pack / NAME
    empty = path.is_file() and not path.stat().st_size
    return empty or not os.path.lexists(path) or is_held(pack)


@contextmanager
def only_build(pack: Path) -> Iterator[None]:
    """Hold a pack's lock.

    Raises PackError, which says who has it, where another build has; OSError as files do.
    """
    path = pack / NAME
    descriptor = _held(path)
    try:
        said = f"process {os.getpid()} on {socket.gethostname()} since {time.strftime('%H:%M:%S')}"
        os.ftruncate(descriptor, 0)
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
    owner = _said(path)
    by = f" by {owner}" if owner else ""
    return f"{path.parent} is being built{by}; wait until that has finished, or name another folder"


def _said(path: Path) -> str:
    """What the lock's file says, as far as it can be read."""
    with contextlib.suppress(OSError):
        if path.is_file():
            with path.open(encoding="utf-8", errors="replace") as file:
                return file.read(400).strip()  # a host's name has 253 letters at most (RFC 1035)
    return ""


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
