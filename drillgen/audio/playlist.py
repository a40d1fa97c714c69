"""Playlists: extended M3U in UTF-8 (.m3u8), which nearly every player opens (common practice)."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from drillgen.audio import unwritable
from drillgen.whole import whole_file


@dataclass(frozen=True, slots=True)
class PlaylistEntry:
    """A file to play."""

    path: Path
    title: str
    seconds: float


def playlist(entries: Iterable[PlaylistEntry], folder: Path) -> str:
    """The text of a playlist that lies in `folder`; names are relative to it, with slashes."""
    lines = ["#EXTM3U"]
    for entry in entries:
        title = " ".join(entry.title.split())  # a line each
        lines += [f"#EXTINF:{round(entry.seconds)},{title}", _name(entry.path, folder)]
    return "\n".join(lines) + "\n"


def write_playlist(target: Path, entries: Iterable[PlaylistEntry]) -> None:
    """Write a playlist, whole or not at all.

    Raises:
        AudioError: it cannot be written.
    """
    try:
        with whole_file(target) as file:
            file.write(playlist(entries, target.parent).encode())
    except OSError as error:
        raise unwritable(target, error) from error


def _name(path: Path, folder: Path) -> str:
    name = Path(os.path.relpath(path, folder)).as_posix()
    return f"./{name}" if name.startswith("#") else name  # else it would be a remark
