"""What a pack holds: its manifest read, compared with the folder, renewed, and written.

A file is taken as whole while it has the size that the manifest says and has not been changed since
the manifest was written, or else has the manifest's checksum.  What a person has changed is kept
beside what takes its place, under a name that says so.

The intent log has the names of files that a build is about to put into the pack or to take out of
it, each with its mark (size and checksum).  They are written down before that is done, and struck
when the manifest is right again: so a build that is killed in between leaves nothing behind that no
manifest lists and nobody would ever remove.
"""

from __future__ import annotations

import contextlib
import glob
import os
import time
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import chain
from pathlib import Path
from typing import Any

from drillgen.disk import is_regular
from drillgen.pack import manifest
from drillgen.pack.files import foreign_file, is_same, place, put_aside, remove, write_whole
from drillgen.pack.inside import Inside, bears, is_name, mark
from drillgen.pack.manifest import ManifestEntry, ManifestOnDisk
from drillgen.pack.tasks import PackTask, TaskResult

LOG = ".placing"  # the intent log
_FIRST = "drillgen puts these files into the pack or takes them out of it:"  # line
_LONGEST = 64 << 20  # bytes of a log that are read


def may_log(pack: Path) -> bool:
    """Whether an intent log may be written: there is none, or one of a build's, or an empty one."""
    path = pack / LOG
    return not os.path.lexists(path) or (is_regular(path) and _lines(path)[:1] in ([], [_FIRST]))


def _lines(path: Path) -> list[str]:
    try:
        if path.stat().st_size > _LONGEST:
            return ["too long for a log"]
        return path.read_text("utf-8", errors="replace").splitlines()
    except OSError:
        return []


class IntentLog:
    """The names, one a line, each with its mark behind a tab."""

    def __init__(self, pack: Path) -> None:
        self._path = pack / LOG
        self._noted = self._read()

    def _read(self) -> set[tuple[str, str]]:
        """A line that was cut short names no file, or another mark."""
        first, *lines = (_lines(self._path) if is_regular(self._path) else []) or [""]
        found = [line.partition("\t") for line in lines] if first == _FIRST else []
        return {(name, said) for name, _, said in found if is_name(name)}

    def noted(self) -> frozenset[tuple[str, str]]:
        """Names with their marks that are written down, by an earlier build, too."""
        return frozenset(self._noted)

    def note(self, marks: Iterable[tuple[str, str]]) -> None:
        """Write names with their marks down, unless they are.  Raises OSError."""
        if not (new := sorted(set(marks) - self._noted)):
            return
        self._noted |= set(new)
        with self._path.open("a", encoding="utf-8", newline="\n") as file:
            if not file.tell():
                file.write(f"{_FIRST}\n")
            file.writelines(f"\n{name}\t{said}\n" for name, said in new)

    def strike(self) -> None:
        """All is as the manifest says.  Raises OSError."""
        self._path.unlink(missing_ok=True)
        self._noted.clear()


_EVERY = 2.0  # seconds between two writings of the manifest while tracks are being made


_NO_MANIFEST = (
    f"{manifest.NAME} was damaged and is written anew: it lists what is built now, in the formats"
    " of the files that are there; build other drills again, too"
)


class ManifestStore:
    """The entries of a pack, by section, from an earlier build and from this one."""

    def __init__(
        self,
        pack: Path,
        title: str,
        found: ManifestOnDisk | None = None,
        room: Path | None = None,
        part: int = 0,
    ) -> None:
        """`found`: the manifest where it has been read already; `room`: where it is written;
        `part`: which of a class's this is."""
        self._pack, self._title, self._room, self._part = pack, title, room, part
        self.inside = Inside(pack)
        found = found or manifest.read(pack)
        self._before, self._written = found.document, found.time
        # Whether a build has been here, or may have been: a manifest may be damaged.
        self.is_pack = bool(self._written) and not manifest.is_foreign(self._before)
        self._can_tell = not self.is_pack or manifest.is_ours(self._before)
        self._changed = self._accepted = False  # since the manifest was written, and at all
        self._earlier = {
            section: [self._checked(entry) for entry in entries]
            for section, entries in manifest.sections(self._before).items()
        }
        self._remains = manifest.remains(self._before)
        listed = [entry for entries in self._earlier.values() for entry in entries]
        self._log = IntentLog(pack)
        self._marks = self._all_marks()
        self._kept: list[tuple[str, str]] = []  # what a person had changed, and its name now
        self._known = {name for entry in listed for name in manifest.files_of(entry)}
        self._known |= {name for name, _ in self._log.noted()}
        # Also what damaged entries list, which is nobody else's, and what this build places.
        self._own = {name.casefold() for name in self._known | manifest.every_file(self._before)}
        self._whole = {entry["made_from"]: entry for entry in listed if "made_from" in entry}
        self._made: dict[str, ManifestEntry] = {}  # by key
        self._tasks: list[PackTask] = []
        self._saved_at = time.monotonic()

    def _checked(self, entry: ManifestEntry) -> ManifestEntry:
        """An entry as it is, or without what would have it kept where a file of it was changed."""
        if self._is_whole(entry):
            return entry
        return {key: value for key, value in entry.items() if key not in ("made_from", "bytes")}

    def _is_whole(self, entry: ManifestEntry) -> bool:
        sizes = entry.get("bytes")
        return (
            "made_from" in entry
            and isinstance(sizes, dict)
            and all(self._is_listed(name, size, entry) for name, size in sizes.items())
        )

    def _is_listed(self, name: str, size: object, entry: ManifestEntry) -> bool:
        """Whether a file is as its entry says.  Where its time does not tell, its content does;
        the manifest is then written anew, so that it is the younger one again."""
        state = self.inside.state(name)
        if state is None or state.st_size != size:
            return False
        if state.st_mtime_ns <= self._written:
            return True
        check = _checks(entry).get(name)
        same = check is not None and bears(self._pack / name, {mark(size, check)})
        self._changed |= same
        return same

    def _all_marks(self) -> defaultdict[str, set[str]]:
        """The marks of every file that a build has put there, by its name without case."""
        marks = defaultdict(set)
        whole, damaged = manifest.sections(self._before), self._remains
        for entry in chain(*whole.values(), *damaged.values()):
            for name, said in _marks(entry):
                marks[name.casefold()].add(said)
        for name, said in self._log.noted():
            marks[name.casefold()].add(said)
        return marks

    def _is_as_made(self, name: str) -> bool:
        """Whether a file of the pack is as some build has made it.  Raises OSError."""
        state, marks = self.inside.state(name), self._marks[name.casefold()]
        if state is None:
            return False
        sizes = {said.partition(" ")[0] for said in marks}
        if state.st_mtime_ns <= self._written and str(state.st_size) in sizes:
            return True
        return bears(self._pack / name, marks - {mark(state.st_size, None)})

    def _keep(self, name: str) -> None:
        """Put aside what a person has changed, before something takes its place."""
        path = self.inside.must(name)
        if os.path.lexists(path) and not path.is_dir() and not self._is_as_made(name):
            self._kept.append((name, put_aside(path, name)))

    def kept(self) -> tuple[tuple[str, str], ...]:
        """What a person had changed, by its name, and under which name it is kept."""
        return tuple(self._kept)

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

    def damaged(self, section: str) -> list[ManifestEntry]:
        """What can still be known of a section's damaged entries that belong to a drill of which
        something is there."""
        return [
            entry
            for entry in self._remains.get(section, [])
            if entry["folder"] and any(map(self.inside.state, entry["files"]))
        ]

    def left_in(self, folder: str) -> list[str]:
        """The files in a drill's folder that are named as its tracks are, and nobody else's as far
        as that can be known."""
        path = self.inside.path(folder)
        if path is None or not self.is_pack or not path.is_dir():
            return []
        names = [f"{folder}/{each.name}" for each in path.glob(f"{glob.escape(folder)} - *")]
        foreign = self.foreign_files(names)
        return [name for name in names if name not in foreign]

    def damage(self, replaced: Collection[str]) -> Iterator[str]:
        """What is damaged in the manifest, and what is done about it, a sentence each."""
        if not self._can_tell:
            yield _NO_MANIFEST
        folders = {e["folder"] for section in self._remains for e in self.damaged(section)}
        for folder in sorted(folders):
            done = "it is made again" if folder in replaced else "build that drill again"
            yield f'{manifest.NAME} was damaged where it lists "{folder}": {done}'

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

        Raises PackError where one would take a foreign file's place (what has the same bytes is
        none: an earlier build made it, and its manifest was lost), DrillgenError where a link leads
        out of the pack, OSError.
        """
        for name in self.foreign_files(result.files):
            if not is_same(made_in / name, self._pack / name):
                raise foreign_file(self._pack / name)
        self._own |= {name.casefold() for name in result.files}
        self._changed = self._accepted = True
        own = list(_marks({"bytes": result.files, "sums": result.sums}))
        self._log.note(own)
        for name, said in own:
            if not is_same(made_in / name, self._pack / name):
                self._keep(name)
            place(made_in / name, self.inside.must(name), self._pack)
            self._marks[name.casefold()].add(said)
        if task.section:
            place_of = {"folder": task.folder} if task.folder else {}
            marks = {"made_from": task.key, "bytes": result.files, "sums": result.sums}
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
        self._log.note(
            (name, said) for name in forgotten for said in self._marks[name.casefold()] or {""}
        )
        document = manifest.document(self._title, sections, self._part)
        if self._changed or document != self._before:
            content = manifest.text(document).encode("utf-8")
            write_whole(self._pack / manifest.NAME, content, self._room)
            self._before, self._changed = document, False
        self._saved_at = time.monotonic()
        return forgotten

    def _sections(self, without: Collection[str]) -> dict[str, list[ManifestEntry]]:
        others = {*self._earlier, *(task.section for task in self._tasks)} - {"tracks"}
        names = ("tracks", *sorted(others))  # whatever was made first
        found = {name: self.entries(name, without) for name in names if name}
        for name in self._remains:  # so that the next build knows it, too
            lost = [entry for entry in self.damaged(name) if _folder(entry) not in without]
            found[name] = [*found.get(name, []), *lost]
        return {name: entries for name, entries in found.items() if entries or name == "tracks"}

    def finish(self, replaced: Collection[str]) -> None:
        """Write the manifest of a complete build, and remove what it no longer lists.

        `replaced`: folders of which nothing stays but what this build has made; what belongs to no
        folder is made anew by every build.
        """
        gone = {*replaced, ""}
        damaged = chain.from_iterable(map(self.damaged, self._remains))
        self._known |= {n for each in damaged if each["folder"] in gone for n in each["files"]}
        forgotten = self.save(gone)
        stays = _names(self._sections(gone))
        with contextlib.suppress(OSError):  # what is open elsewhere is removed by the next build
            own = sorted(name for name in forgotten if self.inside.path(name) is not None)
            for name in own:
                if name.casefold() not in {each.casefold() for each in stays}:
                    self._keep(name)
            remove(self._pack, own, stays)
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


def _checks(entry: Mapping[str, Any]) -> dict[str, Any]:
    """The checksums of an entry's files, as far as it has them."""
    found = entry.get("sums")
    return found if isinstance(found, dict) else {}


def _marks(entry: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Every file of an entry with its mark."""
    sizes, checks = entry.get("bytes"), _checks(entry)
    for name, size in sizes.items() if isinstance(sizes, dict) else ():
        if is_name(name):
            yield name, mark(size, checks.get(name))


def _names(sections: dict[str, list[ManifestEntry]]) -> set[str]:
    return {
        name
        for entries in sections.values()
        for entry in entries
        for name in manifest.files_of(entry)
    }
