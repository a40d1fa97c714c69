"""From a file's text to a drill, or to everything that is wrong with it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path as FilePath
from typing import Any

from pydantic import ValidationError

from drillgen.drill.models import Drill
from drillgen.drill.other_words import nearest_key
from drillgen.drill.overrides import Override, apply
from drillgen.drill.problems import (
    DrillError,
    Path,
    Problem,
    RefusedError,
    dotted,
    nearest,
    refuse,
    show,
)
from drillgen.drill.scalars import comment_after, with_lines
from drillgen.drill.source import MAX_CHARACTERS, Item, Source, as_text, from_python, parse, walk
from drillgen.drill.translate import problems_of
from drillgen.drill.yaml_errors import COMMENT, COMMENT_ALLOWED

ENDINGS = (".yaml", ".yml")

# Texts in which the end of a line divides bars, and what in them YAML may take for a comment.
_BARS: dict[Path, re.Pattern[str]] = {
    ("progression",): re.compile(r"#[IViv]"),  # #IVo7
    ("line", "notes"): re.compile(r"#[1-7]"),  # #4
}
_TEXTS: tuple[Path, ...] = (("title",), ("note",))  # in which a number is a text


def parse_drill(text: str, name: str = "drill", overrides: Iterable[Override] = ()) -> Drill:
    """The drill in a YAML text.  Raises DrillError."""
    return read_item(apply(parse(Source(name, _unix(text))), overrides))


def drill_of(data: Mapping[str, Any], overrides: Iterable[Override] = ()) -> Drill:
    """The drill in plain Python data, shaped as in YAML.  Raises DrillError."""
    return read_item(apply(from_python(data, "drill"), overrides))


def read_item(item: Item) -> Drill:
    """The drill in a mapping of items.  Raises DrillError with every problem."""
    if not isinstance(item.value, dict):
        raise DrillError([_no_drill(item)])
    if _is_something_else(item):
        raise DrillError([_no_drill(item)])
    hidden = _hidden_by_comments(item)
    try:
        drill = Drill.model_validate(_plain(item))
    except ValidationError as error:
        known = {(problem.file, problem.path) for problem in hidden}
        found = problems_of(error, item)
        raise DrillError(
            hidden + [each for each in found if (each.file, each.path) not in known]
        ) from None
    if hidden:
        raise DrillError(hidden)
    return drill


def _no_drill(item: Item) -> Problem:
    what = "this" if isinstance(item.value, dict) else show(item.value)
    return item.place.source.problem(
        f"{what} is no drill",
        item.place.start,
        allowed="keys and values: progression: ii7 | V7 | Imaj7",
    )


def _is_something_else(item: Item) -> bool:
    """A mapping without chords, most of whose keys are none of a drill's: one message will do."""
    keys = item.value.keys() - {"title"}  # which other files have, and which is given to them
    known = keys & {field.alias or name for name, field in Drill.model_fields.items()}
    other = len(keys - known)
    chords = any(nearest_key(key, ("progression",)) for key in keys)
    return not chords and other > max(len(known), 1)


def _plain(item: Item, path: Path = ()) -> Any:
    """Plain data; texts divided into bars keep the line ends they were written with."""
    if isinstance(item.value, dict):
        return {key: _plain(each, (*path, key)) for key, each in item.value.items()}
    if isinstance(item.value, tuple):
        return [_plain(each, (*path, index)) for index, each in enumerate(item.value)]
    if isinstance(item.value, str) and any(path[: len(start)] == start for start in _BARS):
        return with_lines(item)
    return as_text(item) if path in _TEXTS else item.value


def _hidden_by_comments(root: Item) -> list[Problem]:
    """Signs like #IVo7 and #4 that YAML took for the beginning of a comment."""
    problems = []
    for path, item in walk(root):
        like = next((_BARS[start] for start in _BARS if path[: len(start)] == start), None)
        scalar = not isinstance(item.value, dict | tuple)
        start = comment_after(item) if scalar and like else None
        source = item.place.source
        if start is not None and like and like.match(source.text, start):
            problems.append(
                source.problem(
                    COMMENT,
                    start,
                    path=dotted(path),
                    value=item.value,
                    allowed=COMMENT_ALLOWED,
                )
            )
    return problems


def read_source(
    path: FilePath, name: str | None = None, asked_by: FilePath | None = None
) -> Source:
    """The text of a file, which another may have asked for by name.  Raises RefusedError where
    there is none to be had."""
    try:
        with path.open("rb") as file:
            data = file.read(4 * MAX_CHARACTERS + 1)
    except IsADirectoryError:
        raise refuse("this is a folder", "a file in it") from None
    except FileNotFoundError:
        raise refuse("there is no such file", "", _neighbour(path, asked_by)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a name of a file"
        raise refuse(f"the file cannot be read ({str(reason).lower()})") from None
    if len(data) > 4 * MAX_CHARACTERS:
        raise refuse("the file is too long for a drill", f"up to {MAX_CHARACTERS} characters")
    return Source(name or str(path), _text(data))


def _text(data: bytes) -> str:
    if b"\0" in data:
        raise refuse("the file is not text", "text in UTF-8")
    try:
        return _unix(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise refuse(f"the file is not in UTF-8 (line {line})", "text in UTF-8") from None


def _unix(text: str) -> str:
    return text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")


def _neighbour(path: FilePath, but: FilePath | None) -> str:
    """A drill's file beside it with nearly that name, but not the one that asks for it."""
    try:
        files = sorted(each for each in path.parent.iterdir() if each.suffix in ENDINGS)
        others = [each for each in files if but is None or not each.samefile(but)]
    except OSError:
        return ""
    names = {show(each.stem): show(each.name) for each in others}
    wanted = path.stem if path.suffix in ENDINGS else path.name
    return names.get(nearest(wanted, (each.stem for each in others)), "")


def file_error(name: str, refused: RefusedError) -> DrillError:
    """The same about a file named on the command line, where there is no line to cite."""
    return DrillError(
        Problem(name, 0, 0, "", name, wrong.message, wrong.allowed, wrong.nearest)
        for wrong in refused.wrongs
    )
