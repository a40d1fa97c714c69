"""Files of a pack: written whole, placed, removed, zipped, and what is said where that fails.

The zip (PKWARE's APPNOTE 6.3) has the same bytes for the same files.
"""

from __future__ import annotations

import contextlib
import shutil
import unicodedata
import zipfile
from collections.abc import Collection, Iterable, Iterator
from filecmp import cmp
from pathlib import Path, PurePosixPath

from drillgen.audio.formats import FORMATS
from drillgen.errors import DrillgenError
from drillgen.pack.manifest import NAME as MANIFEST
from drillgen.whole import whole_file


class PackError(DrillgenError):
    """The pack cannot be written where it was asked for."""


def foreign_file(path: Path) -> PackError:
    """What is said where a file would be lost that no build has made."""
    return PackError(
        f"{path} is there already, and not from a build: move or rename it, or name another folder"
    )


def write_whole(path: Path, content: bytes) -> None:
    """Write a file that appears whole or not at all."""
    with whole_file(path) as file:
        file.write(content)


def make_folder(path: Path) -> Path:
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


# Compressed already: to try again costs time and gains nothing.
_STORED = frozenset({".pdf", ".png", ".woff2", ".mxl", ".zip"}) | {
    row.suffix for row in FORMATS.values() if row.packed
}
_NO_TIME = (1980, 1, 1, 0, 0, 0)  # the first that a zip can hold: the same files, the same bytes
_UNIX, _READABLE = 3, 0o100644 << 16  # made on, and how a file is unpacked there
_BLOCK = 1 << 20  # bytes


def zip_path(folder: Path) -> Path:
    """Where a pack's zip goes: beside its folder."""
    whole = folder.resolve()
    return whole.with_name(f"{whole.name or 'pack'}.zip")


def is_zip_of(folder: Path, target: Path) -> bool:
    """Whether a zip of a pack may take this place: it is free, or holds an older one."""
    if not target.exists():
        return True
    try:
        with zipfile.ZipFile(target) as packed:
            return f"{folder.resolve().name}/{MANIFEST}" in packed.namelist()
    except (OSError, zipfile.BadZipFile):
        return False


def zip_pack(folder: Path, target: Path, names: Iterable[str] | None = None) -> Path:
    """Write the zip of a pack, whole or not at all; an older one stays where that fails.

    `names` are the pack's own files, from its folder; by default all that are not hidden.  In the
    zip they lie in one folder of the pack's name.  Raises PackError.
    """
    top = folder.resolve().name or "pack"
    files = sorted(_named(names) if names is not None else _found(folder, target))
    try:
        with whole_file(target) as file, zipfile.ZipFile(file, "w", allowZip64=True) as packed:
            for name in files:
                _add(packed, folder / name, f"{top}/{name}")
    except (OSError, zipfile.LargeZipFile, ValueError) as error:
        why = reason(error) if isinstance(error, OSError) else str(error)
        raise PackError(f"cannot make {target}: {why}") from error
    return target


def _named(names: Iterable[str]) -> set[str]:
    return {name for name in names if is_inside(name)}


def _found(folder: Path, target: Path) -> Iterator[str]:
    """Everything in the folder but hidden files, links and the zip itself."""
    for path in folder.rglob("*"):
        name = path.relative_to(folder)
        hidden = any(part.startswith(".") for part in name.parts)
        if path.is_file() and not hidden and not path.is_symlink() and not _same(path, target):
            yield name.as_posix()


def _same(path: Path, target: Path) -> bool:
    return target.exists() and path.samefile(target)


def _add(packed: zipfile.ZipFile, path: Path, name: str) -> None:
    info = zipfile.ZipInfo(unicodedata.normalize("NFC", name), _NO_TIME)
    info.create_system, info.external_attr = _UNIX, _READABLE
    info.compress_type, info.file_size = _method(path), path.stat().st_size
    with path.open("rb") as source, packed.open(info, "w") as inside:
        shutil.copyfileobj(source, inside, _BLOCK)


def _method(path: Path) -> int:
    stored = path.suffix.lower() in _STORED
    return zipfile.ZIP_STORED if stored else zipfile.ZIP_DEFLATED
