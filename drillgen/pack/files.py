"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from drillgen.errors import DrillgenError


class PackError(DrillgenError):
    """The pack cannot be written where it was asked for."""


def write_whole(path: Path, content: bytes) -> None:
    """Write a file under a temporary name beside it, then put it in place in one step."""
    handle, temporary = tempfile.mkstemp(prefix=".part-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        Path(temporary).chmod(0o666 & ~_umask())
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def _umask() -> int:
    """The process's file mode mask; it can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


def folder(path: Path) -> Path:
    """Make a folder.  Raises PackError in plain words where that cannot be."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise PackError(f"cannot make the folder {path}: {reason(error)}") from error
    return path


def reason(error: OSError) -> str:
    """What the system says, without its number."""
    return (error.strerror or str(error)).lower()
