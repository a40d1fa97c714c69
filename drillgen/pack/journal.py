"""Names of files that a build is about to put into a pack or to take out of it.

They are written down before that is done, and struck when the manifest is right again: so a build
that is killed in between leaves nothing behind that no manifest lists and nobody would ever remove.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

NAME = ".placing"
_MARK = "drillgen puts these files into the pack or takes them out of it:"  # the first line


def is_free(pack: Path) -> bool:
    """Whether a journal may be written: there is none yet, or one of a build's, or an empty one."""
    path = pack / NAME
    return not os.path.lexists(path) or (path.is_file() and _lines(path)[:1] in ([], [_MARK]))


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text("utf-8", errors="replace").splitlines()
    except OSError:
        return []


class Journal:
    """The names, one a line."""

    def __init__(self, pack: Path) -> None:
        self._path = pack / NAME
        self._noted = self._read()

    def _read(self) -> set[str]:
        """A line that was cut short names no file."""
        first, *names = _lines(self._path) or [""]
        return set(names) - {""} if first == _MARK else set()

    def names(self) -> frozenset[str]:
        """What is written down, by an earlier build, too."""
        return frozenset(self._noted)

    def note(self, names: Iterable[str]) -> None:
        """Write names down, unless they are.  Raises OSError."""
        if not (new := sorted(set(names) - self._noted)):
            return
        self._noted |= set(new)
        with self._path.open("a", encoding="utf-8", newline="\n") as file:
            if not file.tell():
                file.write(f"{_MARK}\n")
            file.writelines(f"\n{name}\n" for name in new)

    def strike(self) -> None:
        """All is as the manifest says.  Raises OSError."""
        self._path.unlink(missing_ok=True)
        self._noted.clear()
