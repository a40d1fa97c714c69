"""What of a folder can be reached: its own files, and nothing hidden, half-written or outside."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote, unquote

_NEVER = frozenset("\\:\0")  # other systems' separators, drives and streams; the end of a C string


def reach(root: Path, target: str) -> Path | None:
    """The file or folder that a request's target names; None for anything that may not be seen.

    `root` is resolved already.  What a link points to must lie in the folder as well.
    """
    names = _names(target)
    if names is None:
        return None
    try:
        found = root.joinpath(*names).resolve(strict=True)
    except (OSError, ValueError, RuntimeError):
        return None
    named_as_folder = target.partition("?")[0].endswith("/")
    return found if _may_be_seen(root, found) and (found.is_dir() or not named_as_folder) else None


def visible(root: Path, folder: Path) -> tuple[Path, ...]:
    """What of a folder can be seen, by name."""
    beside = sorted(folder.iterdir(), key=lambda path: path.name.casefold())
    return tuple(path for path in beside if _is_plain(path.name) and _seen(root, path))


def address(root: Path, path: Path) -> str:
    """The path part of a URL: always absolute, a slash behind a folder."""
    names = path.relative_to(root).parts
    ending = "/" if names and path.is_dir() else ""
    return "/" + "/".join(quote(name, safe="") for name in names) + ending


def _names(target: str) -> list[str] | None:
    """The names in a request's target, from the root."""
    path = target.partition("?")[0].partition("#")[0]
    try:
        plain = unquote(path, errors="strict")
    except UnicodeDecodeError:
        return None
    if not plain.startswith("/"):
        return None
    names = plain[1:].removesuffix("/").split("/")
    if names == [""]:
        return []
    return names if all(_is_plain(name) for name in names) else None


def _is_plain(name: str) -> bool:
    """Neither empty nor hidden (`.`, `..` and files being written, too) nor another system's."""
    return bool(name) and not name.startswith(".") and not _NEVER & set(name)


def _seen(root: Path, path: Path) -> bool:
    try:
        return _may_be_seen(root, path.resolve(strict=True))
    except (OSError, RuntimeError):
        return False


def _may_be_seen(root: Path, found: Path) -> bool:
    """Whether a resolved path lies in the folder, is not hidden there, and is a file or folder."""
    if not found.is_relative_to(root):
        return False
    plain = all(_is_plain(name) for name in found.relative_to(root).parts)
    return plain and (found.is_file() or found.is_dir())
