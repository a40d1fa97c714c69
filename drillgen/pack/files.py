"""Folders and files of a pack, and what is said where they cannot be written."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

from drillgen.errors import DrillgenError
from drillgen.whole import whole_file


class PackError(DrillgenError):
    """The pack cannot be written where it was asked for."""


def write_whole(path: Path, content: bytes) -> None:
    """Write a file that appears whole or not at all."""
    with whole_file(path) as file:
        file.write(content)


def folder(path: Path) -> Path:
    """Make a folder.  Raises PackError in plain words where that cannot be."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise PackError(f"cannot make the folder {path}: {reason(error)}") from error
    return path


def is_inside(name: str) -> bool:
    """Whether a manifest's file name stays inside the pack."""
    path = PurePosixPath(name)
    return not path.is_absolute() and ".." not in path.parts


def reason(error: OSError) -> str:
    """What the system says, without its number."""
    return (error.strerror or str(error)).lower()
