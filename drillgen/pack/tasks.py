"""Tasks, and the keys by which their results are known.

Tasks: pieces of work that are done only when their results are not in the pack yet.

A task's cache key says everything that its files and its entry in the manifest follow from (see
`cache_key_of`), their names included.  Its work is a function of a module, given the task's job (a
value that can be pickled), a place to write into, and the values of the tasks that it needs; it
returns its entry.  So the same task can be done in this process, in a worker process, or on another
machine.

A task without a section makes no files: what its work returns is the value that others need.

Cache keys: the SHA-256 of everything that a result follows from.

Values are written out by their types and fields, so that an equal value has the same key in every
process and on every machine, and one that differs anywhere has another.
"""

from __future__ import annotations

import errno
import hashlib
import pickle
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel
from quicktions import Fraction

from drillgen.errors import DrillgenError, reason, taken_remarks
from drillgen.pack.inside import mark_of
from drillgen.pack.manifest import ManifestEntry

Report = Callable[[float], None]  # the share of the task that is done, 0 to 1
Blame = Literal["person", "target", "program"]

# What the system says when the pack's own disk is the trouble: no other task would fare better.
_TARGET = frozenset(
    getattr(errno, name)
    for name in ("ENOSPC", "EDQUOT", "EROFS", "EFBIG", "EIO")
    if hasattr(errno, name)
)


def unheard(done: float) -> None:
    """ProgressCallback that nobody asked for."""


@dataclass(frozen=True, slots=True)
class Workspace:
    """Where a task is done: an empty folder that stands for the pack, and some cores."""

    folder: Path
    jobs: int | None = None  # None: all cores
    report: Report = unheard


class Shared:
    """A value that others need: pickled once, and unpickled only where it is looked at, through
    however many processes it goes."""

    __slots__ = ("_pickled", "_values")

    def __init__(self, *values: Any, pickled: bytes = b"") -> None:
        self._values, self._pickled = values, pickled

    @property
    def value(self) -> Any:
        if not self._values:
            self._values = (pickle.loads(self._pickled),)
        return self._values[0]

    def __reduce__(self) -> tuple[Any, ...]:
        if not self._pickled:
            self._pickled = pickle.dumps(self._values[0])
        return _unopened, (self._pickled,)


def _unopened(pickled: bytes) -> Shared:
    return Shared(pickled=pickled)


@dataclass(frozen=True, slots=True)
class PackTask:
    """One piece of work."""

    key: str  # cache key; of what is not cached, a name that no other task has
    section: str  # of the manifest, in which its entry is listed; "": it makes a value
    folder: str  # the drill's, in the pack; "": the work is for the whole pack
    label: str  # for people: "Thirds and sevenths - C - 72"
    weight: float  # how long it takes against others; seconds of music
    work: Callable[..., Any]  # of the job, a place, and the value of each task in `needs`
    job: Any
    here: bool = False  # quick, or in need of the pack itself: done in this process
    needs: tuple[PackTask, ...] = ()  # tasks that make values
    given: tuple[Shared, ...] = ()  # their values, when these are there


@dataclass(frozen=True, slots=True)
class TaskResult:
    """What a task has made: its entry, and its files with their sizes in bytes; or a value."""

    entry: ManifestEntry
    files: dict[str, int]
    value: Shared | None = None
    sums: dict[str, str] = field(default_factory=dict)  # CRC-32 of the files
    remarks: tuple[str, ...] = ()  # to be told now, and of no account for what was made


@dataclass(frozen=True, slots=True)
class Failure:
    """Why there is no result.

    `person`: something that the person can change; `target`: the pack cannot be written;
    `program`: none of that should have happened.
    """

    blame: Blame
    message: str
    details: tuple[Any, ...] = ()  # what the error has besides, for who knows it


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a task ended."""

    task: PackTask
    result: TaskResult | Failure


def task_folder(making: Path, task: PackTask) -> Path:
    """Where a task is done, in the folder where a build makes what is not finished yet."""
    return making / task.key[:20]


def done(task: PackTask, place: Workspace) -> TaskResult | Failure:
    """Do a task; what goes wrong is returned, except an interruption."""
    try:
        made = task.work(task.job, place, *(each.value for each in task.given))
    except (Exception, SystemExit) as error:
        return failure(error)
    if not task.section:
        return TaskResult({}, {}, Shared(made), remarks=taken_remarks())
    from concurrent.futures import ThreadPoolExecutor

    names = _files(place.folder)
    with ThreadPoolExecutor(place.jobs) as pool:  # a track's files may have 200 MB
        found = list(pool.map(mark_of, (place.folder / name for name in names)))
    marks = {name: mark.split() for name, mark in zip(names, found, strict=True)}
    return TaskResult(
        made,
        {name: int(size) for name, (size, _) in marks.items()},
        sums={name: check for name, (_, check) in marks.items()},
        remarks=taken_remarks(),
    )


def failure(error: BaseException) -> Failure:
    """What an error means for the build."""
    for cause in _causes(error):
        if isinstance(cause, OSError) and cause.errno in _TARGET:
            return Failure("target", reason(cause))
    if isinstance(error, DrillgenError):
        return Failure("person", str(error), getattr(error, "details", ()))
    return Failure("program", f"{type(error).__name__}: {error}".rstrip(": "))


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__


def _files(folder: Path) -> list[str]:
    """Every file under a folder, by its name from there."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return [path.relative_to(folder).as_posix() for path in files]


_PLAIN = (str, int, float, bool, Fraction, type(None))


def cache_key_of(*values: Any) -> str:
    """The cache key of some values together, 64 hexadecimal digits.

    Raises TypeError for a value that is not made of models, dataclasses, tuples, mappings, sets,
    texts and numbers.
    """
    return hashlib.sha256(canonical(values).encode("utf-8")).hexdigest()


def canonical(value: Any) -> str:
    """A value as text; different values have different texts."""
    if isinstance(value, _PLAIN):
        return f"{type(value).__name__} {value!r}"
    parts = ",".join(f"{name}={canonical(part)}" for name, part in _parts(value))
    return f"{type(value).__qualname__}({parts})"


def _parts(value: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(value, BaseModel):
        yield from ((name, getattr(value, name)) for name in type(value).model_fields)
    elif is_dataclass(value):
        yield from ((each.name, getattr(value, each.name)) for each in fields(value))
    elif isinstance(value, Mapping):
        yield from sorted((canonical(key), part) for key, part in value.items())
    elif isinstance(value, frozenset | set):
        yield from ((text, "") for text in sorted(map(canonical, value)))
    elif isinstance(value, tuple | list):
        yield from (("", part) for part in value)
    else:
        raise TypeError(f"no cache key for {value!r}")


@cache
def program() -> str:
    """The cache key of the program itself: of every file of its package, whatever it is for.

    It stands for the version, and is never stale while the program is being worked on.  What a
    result follows from is not listed by hand: a list forgets, as of the feels, which are data.
    """
    package = Path(__file__).parents[1]
    content = hashlib.sha256()
    for path in sorted(_sources(package)):
        data = path.read_bytes()
        content.update(f"{path.relative_to(package).as_posix()} {len(data)}\n".encode())
        content.update(data)
    return content.hexdigest()


def _sources(folder: Path) -> Iterator[Path]:
    """Every file under a folder but what Python or an editor keeps there for itself."""
    for path in folder.iterdir():
        if path.name.startswith(".") or path.name == "__pycache__":
            continue
        if path.is_dir():
            yield from _sources(path)
        else:
            yield path
