"""Names of files that a build is about to put into a pack or to take out of it.

They are written down before that is done, and struck when the manifest is right again: so a build
that is killed in between leaves nothing behind that no manifest lists and nobody would ever remove.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

_NAME = ".placing"


class Journal:
    """The names, one a line."""

    def __init__(self, pack: Path) -> None:
        self._path = pack / _NAME
        self._noted = self._read()

    def _read(self) -> set[str]:
        """A line that was cut short names no file."""
        try:
            return set(self._path.read_text("utf-8", errors="replace").splitlines()) - {""}
        except OSError:
            return set()

    def names(self) -> frozenset[str]:
        """What is written down, by an earlier build, too."""
        return frozenset(self._noted)

    def note(self, names: Iterable[str]) -> None:
        """Write names down, unless they are.  Raises OSError."""
        if not (new := sorted(set(names) - self._noted)):
            return
        self._noted |= set(new)
        with self._path.open("a", encoding="utf-8", newline="\n") as file:
            file.writelines(f"\n{name}\n" for name in new)

    def strike(self) -> None:
        """All is as the manifest says.  Raises OSError."""
        self._path.unlink(missing_ok=True)
        self._noted.clear()
