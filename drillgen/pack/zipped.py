"""A pack as one zip file (PKWARE's APPNOTE 6.3), the same bytes for the same files."""

from __future__ import annotations

import shutil
import unicodedata
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path

from drillgen.audio.formats import FORMATS
from drillgen.pack.files import PackError, is_inside, reason
from drillgen.pack.manifest import NAME as MANIFEST
from drillgen.whole import whole_file

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
