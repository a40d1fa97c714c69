"""Playlists: extended M3U in UTF-8 (.m3u8), which nearly every player opens (common practice)."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from drillgen.audio.errors import AudioError, reason
from drillgen.whole import whole_file


@dataclass(frozen=True, slots=True)
class Item:
    """A file to play."""

    path: Path
    title: str
    seconds: float


def playlist(items: Iterable[Item], folder: Path) -> str:
    """The text of a playlist that lies in `folder`; names are relative to it, with slashes."""
    lines = ["#EXTM3U"]
    for item in items:
        title = " ".join(item.title.split())  # a line each
        lines += [f"#EXTINF:{round(item.seconds)},{title}", _name(item.path, folder)]
    return "\n".join(lines) + "\n"


def write_playlist(target: Path, items: Iterable[Item]) -> None:
    """Write a playlist, whole or not at all.

    Raises:
        AudioError: it cannot be written.
    """
    try:
        with whole_file(target) as file:
            file.write(playlist(items, target.parent).encode())
    except OSError as error:
        raise AudioError(f"{target} cannot be written: {reason(error)}.") from error


def _name(path: Path, folder: Path) -> str:
    name = Path(os.path.relpath(path, folder)).as_posix()
    return f"./{name}" if name.startswith("#") else name  # else it would be a remark
