"""SHA-256 of soundfonts, remembered: 148 MB take a third of a second each time."""

from __future__ import annotations

import hashlib
import json
from contextlib import suppress
from pathlib import Path
from typing import Any

from drillgen.disk import cache_dir, is_regular, whole_file
from drillgen.errors import SoundError
from drillgen.sound.soundfont_file import Identity, identity, unchanged


def sha256_of(path: Path) -> str:
    """The SHA-256 of a file in hexadecimal, from memory while the file is the same.

    Raises SoundError where it cannot be read, or changes while it is.
    """
    try:
        true = path.resolve(strict=True)
        mark = identity(true)
        entry = _remembered().get(str(true))
        if isinstance(entry, list) and len(entry) == 2 and entry == _sealed(mark, str(entry[0])):
            return str(entry[0])
        with true.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise SoundError(f"{path} cannot be read: {error.strerror or error}.") from error
    unchanged(true, mark)
    _remember(str(true), _sealed(mark, digest))
    return digest


def _sealed(mark: Identity, digest: str) -> list[str]:
    """A digest, and what it is worth nothing without: a memory may be damaged, too."""
    return [digest, hashlib.sha256(f"{mark} {digest}".encode()).hexdigest()[:16]]


def _book() -> Path:
    return cache_dir() / "checksums.json"


def _remembered() -> dict[str, Any]:
    try:
        book = _book()
        content = json.loads(book.read_text("utf-8")) if is_regular(book) else {}
    except (OSError, ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}


def _remember(path: str, entry: list[Any]) -> None:
    """A cache that cannot be written is only slower."""
    with suppress(OSError):
        _book().parent.mkdir(parents=True, exist_ok=True)
        with whole_file(_book()) as file:
            file.write(json.dumps(_remembered() | {path: entry}, indent=1).encode("utf-8"))
