"""What a pack holds: its manifest read, compared with the folder, renewed, and written.

A file is taken as whole while it has the size that the manifest says and has not been changed since
the manifest was written.  (A pack that was copied without its files' times may be made again.)

The intent log has the names of files that a build is about to put into the pack or to take out of
it.  They are written down before that is done, and struck when the manifest is right again: so a
build that is killed in between leaves nothing behind that no manifest lists and nobody would ever
remove.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path

from drillgen.pack import manifest
from drillgen.pack.files import foreign_file, is_inside, is_same, place, remove, write_whole
from drillgen.pack.manifest import ManifestOnDisk
from drillgen.pack.tasks import ManifestEntry, PackTask, TaskResult

LOG = ".placing"  # the intent log
_MARK = "drillgen puts these files into the pack or takes them out of it:"  # the first line


def may_log(pack: Path) -> bool:
    """Whether an intent log may be written: there is none, or one of a build's, or an empty one."""
    path = pack / LOG
    return not os.path.lexists(path) or (path.is_file() and _lines(path)[:1] in ([], [_MARK]))


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text("utf-8", errors="replace").splitlines()
    except OSError:
        return []


class IntentLog:
    """The names, one a line."""

    def __init__(self, pack: Path) -> None:
        self._path = pack / LOG
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


_EVERY = 2.0  # seconds between two writings of the manifest while tracks are being made


class ManifestStore:
    """The entries of a pack, by section, from an earlier build and from this one."""

    def __init__(self, pack: Path, title: str, found: ManifestOnDisk | None = None) -> None:
        """`found`: the manifest where it has been read already."""
        self._pack, self._title = pack, title
        found = found or manifest.read(pack)
        self._before, self._written = found.document, found.time
        # Whether a build has been here, or may have been: a manifest may be damaged.
        self.is_pack = bool(self._written) and not manifest.is_foreign(self._before)
        self._can_tell = not self.is_pack or manifest.is_ours(self._before)
        self._earlier = {
            section: [self._checked(entry) for entry in entries]
            for section, entries in manifest.sections(self._before).items()
        }
        listed = [entry for entries in self._earlier.values() for entry in entries]
        self._log = IntentLog(pack)
        self._known = {name for entry in listed for name in manifest.files_of(entry)}
        self._known = set(filter(is_inside, self._known | self._log.names()))
        # Also what damaged entries list, which is nobody else's, and what this build places.
        self._own = {name.casefold() for name in self._known | manifest.every_file(self._before)}
        self._whole = {entry["made_from"]: entry for entry in listed if "made_from" in entry}
        self._made: dict[str, ManifestEntry] = {}  # by key
        self._tasks: list[PackTask] = []
        self._changed = self._accepted = False  # since the manifest was written, and at all
        self._saved_at = time.monotonic()

    def _checked(self, entry: ManifestEntry) -> ManifestEntry:
        """An entry as it is, or without what would have it kept where a file of it was changed."""
        if self._is_whole(entry):
            return entry
        return {key: value for key, value in entry.items() if key not in ("made_from", "bytes")}

    def _is_whole(self, entry: ManifestEntry) -> bool:
        files = entry.get("bytes")
        return (
            "made_from" in entry
            and isinstance(files, dict)
            and all(
                is_inside(name) and self._is_as_made(self._pack / name, size)
                for name, size in files.items()
            )
        )

    def _is_as_made(self, path: Path, size: object) -> bool:
        try:
            state = path.stat()
        except OSError:
            return False
        return state.st_size == size and state.st_mtime_ns <= self._written

    def foreign_files(self, names: Iterable[str]) -> list[str]:
        """Of some names, those under which the folder has something that no build has put there;
        none where that cannot be known any more."""
        if not self._can_tell:
            return []
        own = {manifest.NAME} if self.is_pack else set()
        return [
            name
            for name in names
            if name not in own
            and name.casefold() not in self._own
            and os.path.lexists(self._pack / name)
        ]

    def has(self, task: PackTask) -> bool:
        """Whether a task was done before, and what it made is whole."""
        return task.key in self._whole

    def plan(self, tasks: Sequence[PackTask]) -> list[PackTask]:
        """Take on tasks; returns those that have to be done."""
        self._tasks += tasks
        for task in tasks:
            if (entry := self._whole.get(task.key)) is not None:
                self._made[task.key] = entry
        return [task for task in tasks if task.key not in self._made]

    def entry(self, task: PackTask) -> ManifestEntry | None:
        """What a task has made, in this build or before."""
        return self._made.get(task.key)

    def accept(self, task: PackTask, result: TaskResult, made_in: Path) -> None:
        """Put a task's files into the pack and its entry on the list.

        Raises PackError where one would take a foreign file's place, OSError.  What has the same
        bytes is none: an earlier build made it, and its manifest was lost.
        """
        for name in self.foreign_files(result.files):
            if not is_same(made_in / name, self._pack / name):
                raise foreign_file(self._pack / name)
        self._own |= {name.casefold() for name in result.files}
        self._changed = self._accepted = True
        self._log.note(result.files)
        for name in result.files:
            place(made_in / name, self._pack / name)
        if task.section:
            place_of = {"folder": task.folder} if task.folder else {}
            marks = {"made_from": task.key, "bytes": result.files}
            self._made[task.key] = result.entry | place_of | marks
        if time.monotonic() - self._saved_at > _EVERY:
            self.save()

    def entries(self, section: str, without: Collection[str] = ()) -> list[ManifestEntry]:
        """A section as it stands: entries of earlier builds, then this build's in their order.

        Earlier entries of the folders in `without` are left out, and those of which this build has
        written a file anew.  Entries of different folders may share files.
        """
        made = [
            self._made[task.key]
            for task in self._tasks
            if task.section == section and task.key in self._made
        ]
        taken = {(_folder(entry), name) for entry in made for name in manifest.files_of(entry)}
        earlier = [
            entry
            for entry in self._earlier.get(section, [])
            if (folder := _folder(entry)) not in without
            and taken.isdisjoint((folder, name) for name in manifest.files_of(entry))
        ]
        return [*earlier, *made]

    def save(self, without: Collection[str] = ()) -> set[str]:
        """Write the manifest, unless nothing has changed; returns what was listed before and is no
        longer.  Raises OSError."""
        sections = self._sections(without)
        forgotten = self._known - _names(sections)
        self._log.note(forgotten)
        document = manifest.document(self._title, sections)
        if self._changed or document != self._before:
            content = manifest.text(document).encode("utf-8")
            write_whole(self._pack / manifest.NAME, content)
            self._before, self._changed = document, False
        self._saved_at = time.monotonic()
        return forgotten

    def _sections(self, without: Collection[str]) -> dict[str, list[ManifestEntry]]:
        others = {*self._earlier, *(task.section for task in self._tasks)} - {"tracks"}
        names = ("tracks", *sorted(others))  # whatever was made first
        found = {name: self.entries(name, without) for name in names if name}
        return {name: entries for name, entries in found.items() if entries or name == "tracks"}

    def finish(self, replaced: Collection[str]) -> None:
        """Write the manifest of a complete build, and remove what it no longer lists.

        `replaced`: folders of which nothing stays but what this build has made; what belongs to no
        folder is made anew by every build.
        """
        gone = {*replaced, ""}
        forgotten = self.save(gone)
        with contextlib.suppress(OSError):  # what is open elsewhere is removed by the next build
            remove(self._pack, forgotten, _names(self._sections(gone)))
            self._log.strike()

    def files(self) -> list[str]:
        """Every file of a complete pack, its manifest included."""
        return sorted({manifest.NAME, *_names(manifest.sections(self._before))})

    def leave(self) -> None:
        """Write the manifest of a build that is not complete, where what was there stays listed;
        nothing where nothing was made.  Raises OSError."""
        if not self._accepted:
            return
        if not self.save():
            self._log.strike()


def _folder(entry: ManifestEntry) -> str:
    folder: str = entry.get("folder", "")
    return folder


def _names(sections: dict[str, list[ManifestEntry]]) -> set[str]:
    return {
        name
        for entries in sections.values()
        for entry in entries
        for name in manifest.files_of(entry)
    }
