"""Lessons of tiny drills, and what a pack's folder holds."""

from __future__ import annotations

import json
import os
import signal
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.forking import Begun

# What is not looked at.
BARE = ("--no-sheets", "--no-page")
QUIET = (*BARE, "--quiet")
TINY = (
    "progression: I, key_cycle: C, gaps: none, ending: none, count_in: 0, line: roots,"
    " band: {drums: sticks, comping: off}"
)
LONG = (
    "progression: ii7 | V7 | Imaj7 | %, key_cycle: {start: C, move: 5, keys: 3}, gaps: none,"
    " line: roots, band: {drums: sticks, comping: off}"
)


def lesson(path: Path, drills: Mapping[str, str], kind: str = TINY) -> Path:
    """A lesson of drills of a kind, each with its title and what it has of its own."""
    rows = [f"  - {{title: {title}, {own}, {kind}}}" for title, own in drills.items()]
    path.write_text("\n".join(["title: Term", "drills:", *rows, ""]), "utf-8")
    return path


def contents(pack: Path) -> dict[str, bytes]:
    """Every file of a pack by its name, hidden ones included."""
    files = (path for path in sorted(pack.rglob("*")) if path.is_file())
    return {path.relative_to(pack).as_posix(): path.read_bytes() for path in files}


def written(pack: Path) -> dict[str, tuple[int, int]]:
    """Which file lies under each name, and since when."""
    files = (path for path in sorted(pack.rglob("*")) if path.is_file())
    return {
        path.relative_to(pack).as_posix(): (path.stat().st_ino, path.stat().st_mtime_ns)
        for path in files
    }


def changed(before: Mapping[str, object], pack: Path) -> set[str]:
    """The files that were written since, but for the manifest."""
    now = written(pack)
    return {name for name in now if now[name] != before.get(name)} - {"manifest.json"}


def sounding(names: set[str]) -> set[str]:
    """Of some files, those of tracks."""
    return {name for name in names if name.endswith((".wav", ".mid"))}


def manifest(pack: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((pack / "manifest.json").read_text("utf-8"))
    return document


def tracks(pack: Path) -> list[tuple[str, float]]:
    """Drill and tempo of every track that the manifest lists."""
    return [(track["drill"], track["tempo"]) for track in manifest(pack)["tracks"]]


@contextmanager
def started(*arguments: str | Path) -> Iterator[Begun]:
    """`drillgen`, running; killed at the end if it still runs."""
    with tempfile.TemporaryDirectory() as said:
        process = Begun(list(map(str, arguments)), Path(said))
        try:
            yield process
        finally:
            process.kill()
            process.wait()


def until(there: Callable[[], Any], seconds: float = 90.0) -> Any:
    """Wait for something; fails where it does not come."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := there():
            return found
        time.sleep(0.005)
    raise AssertionError("it did not come")


def children(process: Begun) -> Sequence[int]:
    """The processes that a process has started (Linux)."""
    listed = Path(f"/proc/{process.pid}/task").glob("*/children")
    return [int(number) for each in listed for number in each.read_text().split()]


def runs(number: int) -> bool:
    """Whether a process is still at work: neither gone nor waiting to be buried."""
    try:
        state = Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


def kill(number: int) -> None:
    os.kill(number, signal.SIGKILL)
