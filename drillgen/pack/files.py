"""Folders and files of a pack, and what is said where they cannot be written."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Collection, Iterable
from filecmp import cmp
from pathlib import Path, PurePosixPath

from drillgen.errors import DrillgenError
from drillgen.whole import whole_file


class PackError(DrillgenError):
    """The pack cannot be written where it was asked for."""


def stranger(path: Path) -> PackError:
    """What is said where a file would be lost that no build has made."""
    return PackError(
        f"{path} is there already, and not from a build: move or rename it, or name another folder"
    )


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


def place(made: Path, target: Path) -> None:
    """Move a finished file to its place, on the same disk."""
    target.parent.mkdir(parents=True, exist_ok=True)
    made.replace(target)


def is_same(made: Path, there: Path) -> bool:
    """Whether what is there is a file of its own with the bytes of another."""
    return there.is_file() and not there.is_symlink() and cmp(made, there, shallow=False)


def remove(pack: Path, names: Iterable[str], kept: Collection[str]) -> None:
    """Remove files of a pack, and folders that are empty then.

    A name that differs from one in `kept` only by case may be the same file.
    """
    alike = {name.casefold(): pack / name for name in kept}
    for name in names:
        path, other = pack / name, alike.get(name.casefold())
        with contextlib.suppress(FileNotFoundError):
            if not path.is_dir() and (other is None or not path.samefile(other)):
                path.unlink()
        for parent in PurePosixPath(name).parents[:-1]:
            with contextlib.suppress(OSError):  # something is in it
                (pack / parent).rmdir()


def clear(path: Path) -> None:
    """Remove a folder of ours with everything in it, as far as that can be done."""
    shutil.rmtree(path, ignore_errors=True)


def is_inside(name: str) -> bool:
    """Whether a manifest's file name is a file's inside the pack."""
    path = PurePosixPath(name)
    return path.name != "" and not path.is_absolute() and ".." not in path.parts


def reason(error: OSError) -> str:
    """What the system says, without its number."""
    return (error.strerror or str(error)).lower()
