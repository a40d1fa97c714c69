"""Names of files in a pack, where they lead, and what tells a file as a build has made it.

A pack may come from a stranger, and so may its manifest and its intent log: no name in them, and no
link in the folder, may lead a build to read, write, remove or pack up what lies elsewhere.
"""

from __future__ import annotations

import os
import re
import stat
import zlib
from pathlib import Path

from drillgen.errors import DrillgenError

# What no name that we give has in it: other systems' separators and drives (`C:/`, `..\`), what
# Windows refuses, the end of a C string, and what a terminal would obey (ISO/IEC 6429: C0, C1).
_NEVER = re.compile(r'[<>:"\\|?*\0-\x1f\x7f-\x9f\ud800-\udfff]')
# Windows devices, with any ending.
RESERVED = re.compile(
    r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])( *\..*)?", re.IGNORECASE
)
_LONGEST = 255  # bytes of a file's name (POSIX NAME_MAX of usual file systems)
_DEEPEST = 8  # folders; ours have two
_BLOCK = 1 << 20  # bytes


def is_name(name: object) -> bool:
    """Whether this can be the name of a pack's own file, from the pack's folder, on any system.

    Hidden files are none: those are the system's, or a build's while it is at work.
    """
    if not isinstance(name, str) or _NEVER.search(name):
        return False
    parts = name.split("/")
    return len(parts) <= _DEEPEST and all(map(_is_part, parts))


def _is_part(part: str) -> bool:
    """Neither empty nor hidden (`.` and `..` are, too), and what Windows reads as it stands."""
    plain = bool(part) and not part.startswith(".") and not part.endswith((".", " "))
    return plain and len(part.encode()) <= _LONGEST and not RESERVED.fullmatch(part)


class Inside:
    """A pack's folder, and what lies in it."""

    def __init__(self, pack: Path) -> None:
        self._pack = pack
        self._root = os.path.realpath(pack)
        self._seen: dict[str, bool] = {}  # of folders that were looked at, whether they lie inside

    def path(self, name: str) -> Path | None:
        """Where a file lies or would lie; None where it would lie outside: no folder on the way
        may be a link."""
        if not is_name(name) or not self._lies_inside(name.rpartition("/")[0]):
            return None
        return self._pack / name

    def must(self, name: str) -> Path:
        """The same; raises DrillgenError."""
        found = self.path(name)
        if found is None:
            raise DrillgenError(
                f"{self._pack / name} would not lie in {self._pack}: a link leads out of it;"
                " remove the link, or name another folder"
            )
        return found

    def state(self, name: str) -> os.stat_result | None:
        """Of a file of the pack's own, neither a link nor a device; None where there is none such.

        A folder is looked at once: this is for many files at a time, which are only read.
        """
        folder = name.rpartition("/")[0]
        if folder not in self._seen:
            self._seen[folder] = self._lies_inside(folder)
        if not is_name(name) or not self._seen[folder]:
            return None
        try:
            state = os.lstat(self._pack / name)
        except OSError:
            return None
        return state if stat.S_ISREG(state.st_mode) else None

    def _lies_inside(self, folder: str) -> bool:
        if not folder:
            return True
        plain = os.path.join(self._root, *folder.split("/"))  # noqa: PTH118 - for many files
        return os.path.normcase(os.path.realpath(plain)) == os.path.normcase(plain)


# What tells a file as a build has made it from one that a person has changed.


def mark_of(path: Path) -> str:
    """Size and CRC-32 of a file: '1024 89abcdef'.  Raises OSError."""
    size = check = 0
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            size, check = size + len(block), zlib.crc32(block, check)
    return f"{size} {check:08x}"


def mark(size: object, check: object) -> str:
    """The same from a manifest, which may lack the checksum: '1024 -'."""
    return f"{size} {check or '-'}"


def bears(path: Path, marks: set[str]) -> bool:
    """Whether a file is as one of some marks say.  Raises OSError."""
    size = path.stat().st_size
    if not any(each.startswith(f"{size} ") for each in marks):
        return False
    return f"{size} -" in marks or mark_of(path) in marks
