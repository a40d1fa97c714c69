"""What is wrong with a drill, said so that a person can mend it.

Readers of single values raise `RefusedError` with paths and offsets relative to what they were
given; `translate.py` turns these into `Problem`s with file, line and column, and `reader.py` raises
all of them in one `DrillError`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

from drillgen.drill.signs import quoted
from drillgen.errors import DrillgenError
from drillgen.theory import nearest as letters

Path = tuple[str | int, ...]
_LONGEST_SHOWN = 40  # characters of a value quoted in a message
_LONGEST_WORD = 100  # characters looked at to guess what was meant
_LONGEST_LINE = 120  # characters of the file's line shown under a message


@dataclass(frozen=True, slots=True)
class Wrong:
    """One thing that is wrong with a value."""

    message: str
    allowed: str = ""
    nearest: str = ""
    at: Path = ()  # where inside the value: keys and indices
    offset: int | None = None  # where inside the text: characters from its start
    key: bool = False  # the last key itself is wrong, not its value
    missing: str = ""  # the key that is missing; a misspelt one is not said to be missing, too


class RefusedError(ValueError):
    """A value cannot be read; says everything that is wrong with it."""

    def __init__(self, wrongs: Sequence[Wrong]) -> None:
        super().__init__("; ".join(wrong.message for wrong in wrongs))
        self.wrongs = tuple(wrongs)


def refuse(
    message: str, allowed: str = "", nearest: str = "", at: Path = (), offset: int | None = None
) -> RefusedError:
    """One wrong thing, ready to be raised."""
    return RefusedError([Wrong(message, allowed, nearest, at, offset)])


def refuse_keys(data: Iterable[Any], known: Iterable[str], owner: str) -> None:
    """Raises RefusedError if a mapping has keys that are not known."""
    known = tuple(known)
    wrongs = [
        Wrong(
            f"{show(key)} is not a key of {owner}",
            listed(known),
            nearest(key, known),
            (key,),
            key=True,
        )
        for key in data
        if key not in known
    ]
    if wrongs:
        raise RefusedError(wrongs)


class Wrongs:
    """Collects what is wrong in several places, to say it all at once."""

    def __init__(self) -> None:
        self._found: list[Wrong] = []

    @contextmanager
    def at(self, *path: str | int) -> Iterator[None]:
        """What is refused inside the block is noted as lying under `path`."""
        try:
            yield
        except RefusedError as refused:
            self._found += [replace(wrong, at=(*path, *wrong.at)) for wrong in refused.wrongs]

    def raise_any(self) -> None:
        """Raises RefusedError if anything was wrong."""
        if self._found:
            raise RefusedError(self._found)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a file or an option.  Lines and columns count from 1; 0 is none."""

    file: str  # as the person named it; the option itself where an option is wrong
    line: int
    column: int
    path: str  # "band.bass", "tempo[2]"; "" is the whole document
    value: Any
    message: str
    allowed: str = ""
    nearest: str = ""
    source_line: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        about = f" {self.path}:" if self.path else ""
        allowed = f"; allowed: {self.allowed}" if self.allowed else ""
        nearest = f"; did you mean {self.nearest}?" if self.nearest else ""
        said = f"{place}:{about} {self.message}{allowed}{nearest}"
        return f"{quoted(said)}{self._pointer()}"

    def _pointer(self) -> str:
        """The line of the file with a caret under the place."""
        if not self.line or not self.source_line.strip():
            return ""
        first = max(0, self.column - _LONGEST_LINE // 2) if self.column > _LONGEST_LINE else 0
        shown = self.source_line[first : first + _LONGEST_LINE].replace("\t", " ")
        return f"\n    {quoted(shown.rstrip())}\n    {' ' * (self.column - 1 - first)}^"


class DrillError(DrillgenError):
    """A drill, lesson or preset cannot be read; `problems` says why, in order of place."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        unique = dict.fromkeys(problems)
        self.problems = tuple(
            sorted(unique, key=lambda found: (found.file, found.line, found.column))
        )
        super().__init__("\n".join(str(problem) for problem in self.problems))


def nearest(word: Any, known: Iterable[str]) -> str:
    """The closest of the known words in quotes, or "" where none is close."""
    by_fold = {name.casefold(): name for name in known}
    found = letters.nearest(str(word).casefold()[:_LONGEST_WORD], by_fold)
    return f'"{by_fold[found]}"' if found else ""


def listed(words: Iterable[Any]) -> str:
    """For people: 'a, b, c'."""
    return ", ".join(str(word) for word in words)


def show(value: Any) -> str:
    """A value as it might stand in the file: texts in quotes, long ones cut."""
    if isinstance(value, str):
        text = " ".join(value.split())
        cut = text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 1] + "…"
        return f'"{cut}"'
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a mapping"
    if isinstance(value, list | tuple):
        return "a list"
    return str(value)[:_LONGEST_SHOWN]


def dotted(path: Path) -> str:
    """'band.bass', 'tempo[2]': a path as people write it; items of lists count from 1."""
    text = "".join(f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in path)
    return text.removeprefix(".")
