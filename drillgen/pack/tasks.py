"""Tasks: pieces of work that are done only when their results are not in the pack yet.

A task's address says everything that its files and its entry in the manifest follow from (see
`address.py`), their names included.  Its work is a function of a module, given the task's job (a
value that can be pickled) and a place to write into; it returns its entry.  So the same task can be
done in this process, in a worker process, or on another machine.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from drillgen.errors import DrillgenError

Entry = dict[str, Any]
Report = Callable[[float], None]  # the share of the task that is done, 0 to 1
Blame = Literal["person", "target", "program"]

# What the system says when the pack's own disk is the trouble: no other task would fare better.
_TARGET = frozenset(
    getattr(errno, name)
    for name in ("ENOSPC", "EDQUOT", "EROFS", "EFBIG", "EIO")
    if hasattr(errno, name)
)


def unheard(done: float) -> None:
    """Progress that nobody asked for."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a task is done: an empty folder that stands for the pack, and some cores."""

    folder: Path
    jobs: int | None = None  # None: all cores
    report: Report = unheard


@dataclass(frozen=True, slots=True)
class Task:
    """One piece of work."""

    address: str
    section: str  # of the manifest, in which its entry is listed; "": not in the manifest
    folder: str  # the drill's, in the pack; "": the work is for the whole pack
    label: str  # for people: "Thirds and sevenths - C - 72"
    weight: float  # how long it takes against others; seconds of music
    work: Callable[[Any, Place], Entry]
    job: Any
    here: bool = False  # quick, or in need of the pack itself: done in this process


@dataclass(frozen=True, slots=True)
class Result:
    """What a task has made: its entry, and its files with their sizes in bytes."""

    entry: Entry
    files: dict[str, int]


@dataclass(frozen=True, slots=True)
class Failure:
    """Why there is no result.

    `person`: something that the person can change; `target`: the pack cannot be written;
    `program`: none of that should have happened.
    """

    blame: Blame
    message: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a task ended."""

    task: Task
    result: Result | Failure


def task_folder(making: Path, task: Task) -> Path:
    """Where a task is done, in the folder where a build makes what is not finished yet."""
    return making / task.address[:20]


def done(task: Task, place: Place) -> Result | Failure:
    """Do a task; what goes wrong is returned, except an interruption."""
    try:
        entry = task.work(task.job, place)
    except (Exception, SystemExit) as error:
        return failure(error)
    return Result(entry, sizes(place.folder))


def failure(error: BaseException) -> Failure:
    """What an error means for the build."""
    for cause in _causes(error):
        if isinstance(cause, OSError) and cause.errno in _TARGET:
            return Failure("target", (cause.strerror or str(cause)).lower())
    if isinstance(error, DrillgenError):
        return Failure("person", str(error))
    return Failure("program", f"{type(error).__name__}: {error}".rstrip(": "))


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__


def sizes(folder: Path) -> dict[str, int]:
    """Every file under a folder, by its name from there, with its bytes."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {path.relative_to(folder).as_posix(): path.stat().st_size for path in files}
