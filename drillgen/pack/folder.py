"""The folder that a build works in: locked, with room for what is not finished, and searched for
foreign files first.

A folder that is typed by mistake may be anything: a desktop, a web site, a term's handouts.
"""

from __future__ import annotations

import os
import re
import secrets
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from drillgen.disk import is_regular, lock
from drillgen.errors import held_back
from drillgen.pack import manifest, manifest_store
from drillgen.pack.drills import TRACK_SECTION, booklets
from drillgen.pack.files import (
    PackError,
    clear,
    foreign_file,
    make_folder,
    refuse_other_zip,
    zip_path,
)
from drillgen.pack.manifest_store import ManifestStore
from drillgen.pack.plan import Order
from drillgen.pack.settings import NOTES, PLAYLISTS
from drillgen.pack.tasks import PackTask, task_folder
from drillgen.page import ALONE, FOLDER, INDEX, WORKER

# Inside the pack, so that finished files need only be renamed.  Each build has a folder of its own,
# that nobody could have put anything into before.
_MAKING = ".making"
_PRIVATE = 0o700
_HEX = "[0-9a-f]" * 16
# What killed builds leave: their folders, and what earlier versions wrote beside the manifest.  A
# folder that holds more than a pack is not searched for more.
_LEFT = (f"{_MAKING}-{_HEX}", f".part-{_HEX}")
_LOCK = ".building"
_WORDS = re.compile(r"process \d+ on .* since \d\d:\d\d:\d\d")  # as `_only_build` writes them
_MODE = os.O_RDWR | os.O_CREAT
for _flag in ("O_BINARY", "O_CLOEXEC", "O_NOFOLLOW"):  # not every system has each of them
    _MODE |= getattr(os, _flag, 0)


@dataclass(frozen=True, slots=True)
class BuildFolder:
    """Folders of a build."""

    pack: Path
    making: Path
    found: manifest.ManifestOnDisk
    lock: int  # descriptor

    def empty(self) -> None:
        """Give back the room of everything that is not finished."""
        for path in self.making.iterdir() if self.making.is_dir() else ():
            clear(path)

    def check(self) -> None:
        """Raises PackError where the folder was removed or replaced while a build worked in it."""
        if not _is_there(self.pack / _LOCK, self.lock) or not self.making.is_dir():
            raise PackError(f"{self.pack} was removed or moved during the build: build again")

    def room_for(self, task: PackTask) -> Path:
        """An empty folder for a task."""
        place = task_folder(self.making, task)
        clear(place)
        place.mkdir()
        return place


@contextmanager
def build_folder(pack: Path) -> Iterator[BuildFolder]:
    """Work in a pack's folder, alone; what a killed build left half-done is removed first.

    Raises PackError where the folder cannot be made, something of somebody else's has one of the
    names that are used here, or another build works in it; OSError.
    """
    with _filled(pack):
        killed = _refuse_links(pack)
        with _only_build(pack) as lock:
            found = manifest.read(pack)
            making = pack / f"{_MAKING}-{secrets.token_hex(8)}"
            _sweep(pack, killed or manifest.is_ours(found.document))
            making.mkdir(_PRIVATE)
            try:
                yield BuildFolder(pack, making, found, lock)
            finally:
                with held_back():
                    clear(making)


@contextmanager
def _filled(pack: Path) -> Iterator[None]:
    """A folder, made unless it is there; one that was made and has stayed empty is removed."""
    new = [each for each in (pack, *pack.parents) if not each.exists()]
    make_folder(pack)
    try:
        yield
    finally:
        with suppress(OSError):  # something is in it
            for each in new:
                each.rmdir()


def _refuse_links(pack: Path) -> bool:
    """Whether a build was killed here, or another one is at work.

    Raises PackError for a lock or an intent log that no build has left.  A link is nobody's that we
    know: what it leads to is not here.
    """
    noted, lock, listed = pack / manifest_store.LOG, pack / _LOCK, pack / manifest.NAME
    found = [path for path in (*_left(pack), noted, lock) if path.is_symlink()]
    found += [listed] if os.path.lexists(listed) and not is_regular(listed) else []
    found += [] if manifest_store.may_log(pack) else [noted]
    found += [] if _may_lock(pack) else [lock]
    if found:
        raise foreign_file(found[0])
    return _is_held(pack)


def _sweep(pack: Path, known: bool) -> None:
    """Remove what a killed build has left.  Raises PackError where none has been here: then it is
    somebody else's."""
    left = _left(pack)
    if left and not known:
        raise foreign_file(left[0])
    for path in left:
        if path.is_dir() and not path.is_symlink():
            clear(path)
        else:
            with suppress(OSError):
                path.unlink()


def _left(pack: Path) -> list[Path]:
    found = [pack / _MAKING, *(path for pattern in _LEFT for path in pack.glob(pattern))]
    return [path for path in found if os.path.lexists(path)]


def _is_held(pack: Path) -> bool:
    """Whether a build is at work in a folder, or was killed there: the lock's file says so."""
    return bool(_WORDS.fullmatch(_said(pack / _LOCK)))


def _may_lock(pack: Path) -> bool:
    """Whether a lock may be made: there is none yet, or one of a build's, or an empty one, which a
    build leaves that is killed as it begins."""
    path = pack / _LOCK
    empty = is_regular(path) and not path.stat().st_size
    return empty or not os.path.lexists(path) or _is_held(pack)


@contextmanager
def _only_build(pack: Path) -> Iterator[int]:
    """Hold a pack's lock, and give its descriptor.

    Raises PackError, which says who has it, where another build has; OSError as files do.
    """
    path = pack / _LOCK
    descriptor = _held(path)
    try:
        said = f"process {os.getpid()} on {socket.gethostname()} since {time.strftime('%H:%M:%S')}"
        os.ftruncate(descriptor, 0)
        os.write(descriptor, said.encode("utf-8"))
        yield descriptor
    finally:
        _let_go(path, descriptor)


def _held(path: Path) -> int:
    """A descriptor of the lock's file, locked."""
    while True:
        descriptor = os.open(path, _MODE, 0o644)
        try:
            lock(descriptor)
            if _is_there(path, descriptor):
                return descriptor
        except BlockingIOError:
            os.close(descriptor)
            raise PackError(_busy(path)) from None
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)  # its last owner removed it meanwhile


def _busy(path: Path) -> str:
    owner = _said(path)
    by = f" by {owner}" if owner else ""
    return f"{path.parent} is being built{by}; wait until that has finished, or name another folder"


def _said(path: Path) -> str:
    """What the lock's file says, as far as it can be read."""
    with suppress(OSError):
        if is_regular(path):
            with path.open(encoding="utf-8", errors="replace") as file:
                return file.read(400).strip()  # a host's name has 253 letters at most (RFC 1035)
    return ""


def _is_there(path: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except (FileNotFoundError, NotADirectoryError):
        return False


def _let_go(path: Path, descriptor: int) -> None:
    """The other way round on Windows, where an open file cannot be removed."""
    if sys.platform == "win32":
        os.close(descriptor)
    with suppress(OSError):  # the next build may have it open already
        path.unlink()
    if sys.platform != "win32":
        os.close(descriptor)


def refuse_foreign_files(order: Order, store: ManifestStore) -> None:
    """Raises PackError where an order's folder has something of somebody else's in its way.

    In a pack, the names of a drill's own files are compared when they are placed
    (`ManifestStore.accept`); what is no pack yet must have nothing at all where drills will lie.
    """
    for folder in (*order.folders, *([FOLDER] if order.extras.page else [])):
        store.inside.must(f"{folder}/{NOTES}")  # whatever is called: the folder is no link
    names = [*_beside(order, store)]
    if not store.is_pack:
        names += _within(order)
    for name in store.foreign_files(names):
        raise foreign_file(order.pack / name)
    if order.extras.zip:
        refuse_other_zip(order.pack, zip_path(order.pack))


def _beside(order: Order, store: ManifestStore) -> Iterator[str]:
    """Files that lie beside the drills' folders."""
    yield from (manifest.NAME, NOTES)
    if order.extras.page:
        yield from (INDEX, WORKER)
    if order.extras.alone:
        yield ALONE
    if order.extras.sheets and len(order.folders) > 1:
        yield from booklets(order.lesson.drills).values()
    if len(order.tracks) > 1 or store.entries(TRACK_SECTION, order.replaced):
        yield from PLAYLISTS.values()


def _within(order: Order) -> Iterator[str]:
    """What lies in folders that the order will fill; hidden files are the system's own."""
    for own in (*order.folders, *([FOLDER] if order.extras.page else [])):
        for path in sorted((order.pack / own).rglob("*")):
            if not path.is_dir() and not path.name.startswith("."):
                yield path.relative_to(order.pack).as_posix()
