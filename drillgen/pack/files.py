"""Files of a pack: written whole, placed, removed, zipped, and what is said where that fails.

The zip (PKWARE's APPNOTE 6.3) has the same bytes for the same files.
"""

from __future__ import annotations

import contextlib
import errno
import glob
import hashlib
import os
import secrets
import shutil
import unicodedata
import zipfile
from collections.abc import Collection, Iterable
from filecmp import cmp
from pathlib import Path, PurePosixPath
from typing import IO

from drillgen.audio.formats import FORMATS
from drillgen.disk import is_regular, whole_file
from drillgen.errors import DrillgenError, reason
from drillgen.pack.inside import Inside, is_name
from drillgen.pack.manifest import NAME as MANIFEST


class PackError(DrillgenError):
    """The pack cannot be written where it was asked for."""


def foreign_file(path: Path) -> PackError:
    """What is said where a file would be lost that no build has made."""
    return PackError(
        f"{path} is there already, and not from a build: move or rename it, or name another folder"
    )


def copied_whole(source: Path, target: Path) -> None:
    """Copy a finished pack, with its times; it appears whole or not at all."""
    beside = target.with_name(f".{target.name}-{secrets.token_hex(4)}")
    try:
        shutil.copytree(source, beside, symlinks=True)
        beside.rename(target)
    except OSError as error:
        shutil.rmtree(beside, ignore_errors=True)
        raise PackError(f"{target} cannot be written: {reason(error)}") from error


def write_whole(path: Path, content: bytes, room: Path | None = None) -> None:
    """Write a file that appears whole or not at all; until then it lies in `room`."""
    with whole_file(path, room) as file:
        file.write(content)


def make_folder(path: Path) -> Path:
    """Make a folder.  Raises PackError in plain words where that cannot be."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise PackError(f"cannot make the folder {path}: {reason(error)}") from error
    return path


def place(made: Path, target: Path, pack: Path) -> None:
    """Move a finished file to its place in a pack, whose folder is not made again where it was
    removed meanwhile.  Raises OSError."""
    for folder in reversed(target.relative_to(pack).parents[:-1]):
        (pack / folder).mkdir(exist_ok=True)
    made.replace(target)


def is_same(made: Path, there: Path) -> bool:
    """Whether what is there is a file of its own with the bytes of another."""
    return is_regular(there) and cmp(made, there, shallow=False)


_BY_HAND = "changed by hand"


def put_aside(path: Path, name: str) -> str:
    """Give a file that a person has changed a name that says so; returns it, as `name` is one from
    the pack's folder.  Raises OSError."""
    count = 1
    while os.path.lexists(other := path.with_name(_aside(path, count))):
        count += 1
    path.rename(other)
    return str(PurePosixPath(name).with_name(other.name))


def _aside(path: Path, count: int) -> str:
    """'sheet (changed by hand).pdf', then 'sheet (changed by hand 2).pdf'."""
    return f"{path.stem} ({_BY_HAND}{f' {count}' if count > 1 else ''}){path.suffix}"


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


# Compressed already: to try again costs time and gains nothing.
_STORED = frozenset({".pdf", ".png", ".woff2", ".mxl", ".zip"}) | {
    row.suffix for row in FORMATS.values() if row.packed
}
_NO_TIME = (1980, 1, 1, 0, 0, 0)  # the first that a zip can hold: the same files, the same bytes
_UNIX, _READABLE = 3, 0o100644 << 16  # made on, and how a file is unpacked there
_BLOCK = 1 << 20  # bytes
_PART = ".part-"  # in the name of a zip that is not finished, where it cannot be made in the pack


def zip_path(folder: Path) -> Path:
    """Where a pack's zip goes: beside its folder."""
    whole = folder.resolve()
    if not whole.name:
        raise PackError(f"no zip can lie beside {whole}: name a folder in it, or leave out --zip")
    return whole.with_name(f"{whole.name}.zip")


def is_zip_of(folder: Path, target: Path) -> bool:
    """Whether a zip of a pack may take this place: it is free, or holds one that a build has made
    and nobody has changed since."""
    if not os.path.lexists(target):
        return True
    try:
        if not is_regular(target):
            return False
        with zipfile.ZipFile(target) as packed:
            own = f"{folder.resolve().name}/{MANIFEST}" in packed.namelist()
            return own and packed.comment == _seal(packed)
    except (OSError, ValueError, zipfile.BadZipFile):
        return False


def _seal(packed: zipfile.ZipFile) -> bytes:
    """What our zips have as their comment: a zip that somebody has made or changed has another."""
    facts = [(each.filename, each.date_time, each.file_size, each.CRC) for each in packed.filelist]
    return f"drillgen {hashlib.sha256(repr(facts).encode()).hexdigest()}".encode()


def refuse_other_zip(folder: Path, target: Path) -> None:
    """Raises PackError where a pack's zip would take the place of something else."""
    if not is_zip_of(folder, target):
        raise PackError(
            f"{target} is there already, and is no zip of this pack as a build has made it:"
            " move or rename it"
        )


def zip_pack(folder: Path, target: Path, names: Iterable[str], room: Path | None = None) -> Path:
    """Write the zip of a pack, whole or not at all; an older one stays where that fails.

    `names` are the pack's own files, from its folder; in the zip they lie in one folder of the
    pack's name.  `room`: where it is written, beside its place by default.  Raises PackError.
    """
    try:
        if room is None:
            with whole_file(target) as file:
                _fill(file, folder, names)
        else:
            _made_in(room, folder, target, names)
    except (OSError, zipfile.LargeZipFile, ValueError) as error:
        why = reason(error) if isinstance(error, OSError) else str(error)
        raise PackError(f"cannot make {target}: {why}") from error
    return target


def _made_in(room: Path, folder: Path, target: Path, names: Iterable[str]) -> None:
    made = room / target.name
    with made.open("xb") as file:
        _fill(file, folder, names)
    _sweep_parts(target)
    refuse_other_zip(folder, target)  # whatever has come there meanwhile
    try:
        made.replace(target)
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
        part = target.with_name(f".{target.name}{_PART}{secrets.token_hex(8)}")
        try:
            shutil.copyfile(made, part)
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)


def _sweep_parts(target: Path) -> None:
    """Remove what a killed build has left of a zip that lies on another disk than its pack."""
    for part in target.parent.glob(f".{glob.escape(target.name)}{_PART}{'[0-9a-f]' * 16}"):
        part.unlink(missing_ok=True)


def _fill(file: IO[bytes], folder: Path, names: Iterable[str]) -> None:
    """Raises DrillgenError, OSError, zipfile.LargeZipFile, ValueError."""
    top, inside = folder.resolve().name or "pack", Inside(folder)
    with zipfile.ZipFile(file, "w", allowZip64=True) as packed:
        for name in sorted(set(filter(is_name, names))):
            path = inside.must(name)
            if os.path.lexists(path) and not is_regular(path):
                raise PackError(f"{path} is a link or no plain file, which no zip takes: remove it")
            _add(packed, path, f"{top}/{name}")
        packed.comment = _seal(packed)


def _add(packed: zipfile.ZipFile, path: Path, name: str) -> None:
    info = zipfile.ZipInfo(unicodedata.normalize("NFC", name), _NO_TIME)
    info.create_system, info.external_attr = _UNIX, _READABLE
    info.compress_type, info.file_size = _method(path), path.stat().st_size
    with path.open("rb") as source, packed.open(info, "w") as inside:
        shutil.copyfileobj(source, inside, _BLOCK)


def _method(path: Path) -> int:
    stored = path.suffix.lower() in _STORED
    return zipfile.ZIP_STORED if stored else zipfile.ZIP_DEFLATED
