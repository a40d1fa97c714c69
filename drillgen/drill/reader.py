"""From a file's text to a drill, or to everything that is wrong with it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path as FilePath
from stat import S_ISDIR, S_ISREG
from typing import Any, get_args

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from drillgen.drill.fields import Model
from drillgen.drill.messages import (
    DrillError,
    KeyPath,
    Problem,
    RefusedError,
    Wrong,
    dotted,
    listed,
    nearest,
    nearest_key,
    refuse,
    show,
)
from drillgen.drill.models import Drill
from drillgen.drill.overrides import Override, apply
from drillgen.drill.yaml_source import (
    COMMENT,
    COMMENT_ALLOWED,
    MAX_CHARACTERS,
    DrillSource,
    SourceItem,
    as_text,
    comment_after,
    from_python,
    parse,
    source_offset,
    walk,
    with_lines,
)

# From what pydantic found to sentences with a place.
#
# A path that pydantic names is followed through the items of the file as far as it goes: a short
# form has no inner keys, and the kind of a line is a step of pydantic's that is not in the file.

# Errors that only say that another one came before.
_ECHOES = ("default_factory_not_called",)
_NOT_MAPPINGS = ("model_type", "model_attributes_type", "dict_type")


def problems_of(error: ValidationError, root: SourceItem) -> list[Problem]:
    """Everything that pydantic found, with places in the items that were validated."""
    details = error.errors(include_url=False)
    found = [
        (loc, wrong)
        for detail in details
        if detail["type"] not in _ECHOES
        for loc, wrong in _wrongs(detail)
    ]
    misspelt = {(*loc[:-1], wrong.nearest) for loc, wrong in found if wrong.key and wrong.nearest}
    return [
        _problem(wrong, loc, root)
        for loc, wrong in found
        if not (wrong.missing and (*loc, show(wrong.missing)) in misspelt)
    ]


def problem_at(root: SourceItem, path: KeyPath, message: str) -> Problem:
    """What is wrong with a drill that could be read, at a path in the items it was read from."""
    return _problem(Wrong(message), path, root)


def refused_at(root: SourceItem, path: KeyPath, refused: RefusedError) -> list[Problem]:
    """What is wrong with a value that was read by itself, at its path in the items."""
    return [_problem(wrong, (*path, *wrong.at), root) for wrong in refused.wrongs]


def _wrongs(detail: ErrorDetails) -> Iterator[tuple[KeyPath, Wrong]]:
    loc: KeyPath = tuple(detail["loc"])
    refused = detail.get("ctx", {}).get("error")
    if isinstance(refused, RefusedError):
        yield from (((*loc, *wrong.at), wrong) for wrong in refused.wrongs)
    elif detail["type"] == "extra_forbidden":
        yield loc, _unknown_key(loc)
    elif detail["type"] == "missing":
        key = str(loc[-1])
        yield loc[:-1], Wrong(f'"{key}" is missing', _EXAMPLES.get(key, ""), missing=key)
    elif detail["type"] in _NOT_MAPPINGS:
        keys = listed(_keys_at(loc))
        yield loc, Wrong(f"{show(detail['input'])} does not fit here", f"a mapping with {keys}")
    else:
        yield loc, Wrong(f"{show(detail['input'])} does not fit here")


_EXAMPLES = {
    "progression": "progression: ii7 | V7 | Imaj7",
    "notes": 'notes: "1:e b3 4:q 5:h"',
}


def _unknown_key(loc: KeyPath) -> Wrong:
    if len(loc) > 1 and not loc[-1]:  # {notes: 1:q 5,:e} is a text, then a key without a name
        return Wrong("a comma in brackets ends the text before it", "the text in quotes", key=True)
    known = _keys_at(loc[:-1])
    owner = str(loc[0]) if len(loc) > 1 else "a drill"
    if loc[0] == "band" and len(loc) > 2:
        owner = dotted(loc[:-1])
    elif loc[0] == "line":
        owner = f"a line of the kind {show(loc[1])}"
    return Wrong(
        f'"{loc[-1]}" is not a key of {owner}', listed(known), nearest_key(loc[-1], known), key=True
    )


def _problem(wrong: Wrong, loc: KeyPath, root: SourceItem) -> Problem:
    item, path = _follow(root, loc)
    source = item.place.source
    place = item.key if wrong.key and item.key and path[-1:] == loc[-1:] else None
    start = place.start if place else source_offset(item, wrong.offset)
    message = wrong.message
    if item.value is None:
        message = "nothing is written here"
    value = path[-1] if wrong.key and path else item.value
    return (place.source if place else source).problem(
        message,
        start,
        path=dotted(path),
        value=show(value) if isinstance(value, dict | tuple) else value,
        allowed=wrong.allowed,
        nearest=wrong.nearest,
    )


def _follow(root: SourceItem, loc: KeyPath) -> tuple[SourceItem, KeyPath]:
    """The item that a path leads to, and those of the path's steps that are in the file."""
    item = root
    path: KeyPath = ()
    for step in loc:
        inner: SourceItem | None = None
        if isinstance(item.value, dict):
            inner = item.value.get(step)
        elif isinstance(item.value, tuple) and isinstance(step, int):
            inner = next(iter(item.value[step : step + 1]), None)
        if inner is not None:
            item, path = inner, (*path, step)
    return item, path


def _keys_at(loc: KeyPath) -> tuple[str, ...]:
    """The keys that are known at a path: those of the model there."""
    models: list[type[Model]] = [Drill]
    for step in loc:
        tagged = [
            model
            for model in models
            if "kind" in model.model_fields and model.model_fields["kind"].default == step
        ]
        models = tagged or [inner for model in models for inner in _inside(model, step)]
    return tuple(dict.fromkeys(key for model in models for key in _fields(model)))


def _fields(model: type[Model]) -> dict[str, Any]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _inside(model: type[Model], step: str | int) -> list[type[Model]]:
    field = _fields(model).get(str(step))
    return _models_in(field.annotation) if field else []


def _models_in(annotation: Any) -> list[type[Model]]:
    if isinstance(annotation, type) and issubclass(annotation, Model):
        return [annotation]
    return [model for inner in get_args(annotation) for model in _models_in(inner)]


ENDINGS = (".yaml", ".yml")

# Texts in which the end of a line divides bars, and what in them YAML may take for a comment.
_QUALITY = r"(?:maj|min|dim|aug|sus|alt|m|M|o|ø|°|Δ|\+|-)?[0-9b#()/,]*"
_BARS: dict[KeyPath, re.Pattern[str]] = {
    # #IVo7, #m7b5, #F#m7b5 and anything else before a bar line: "# a comment" is none of these.
    ("progression",): re.compile(
        rf"#(?=[^\s#])(?:[IViv]|(?:[A-G][b#]?)?{_QUALITY}(?=\s*(?:\||$))|\S[^|\n]*\|)", re.M
    ),
    ("line", "notes"): re.compile(r"#[1-7]"),  # #4
}
_TEXTS: tuple[KeyPath, ...] = (("title",), ("note",))  # in which a number is a text


def parse_drill(text: str, name: str = "drill", overrides: Iterable[Override] = ()) -> Drill:
    """The drill in a YAML text.  Raises DrillError."""
    return read_item(apply(parse(DrillSource(name, _unix(text))), overrides))


def drill_of(data: Mapping[str, Any], overrides: Iterable[Override] = ()) -> Drill:
    """The drill in plain Python data, shaped as in YAML.  Raises DrillError."""
    return read_item(apply(from_python(data, "drill"), overrides))


def read_item(item: SourceItem) -> Drill:
    """The drill in a mapping of items.  Raises DrillError with every problem."""
    if not isinstance(item.value, dict) or _is_something_else(item):
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


def _no_drill(item: SourceItem) -> Problem:
    what = "this" if isinstance(item.value, dict) else show(item.value)
    return item.place.source.problem(
        f"{what} is no drill",
        item.place.start,
        allowed="keys and values: progression: ii7 | V7 | Imaj7",
    )


def _is_something_else(item: SourceItem) -> bool:
    """A mapping without chords, most of whose keys are none of a drill's: one message will do."""
    keys = item.value.keys() - {"title"}  # which other files have, and which is given to them
    known = keys & _fields(Drill).keys()
    other = len(keys - known)
    chords = any(nearest_key(key, ("progression",)) for key in keys)
    return not chords and other > max(len(known), 1)


def _plain(item: SourceItem, path: KeyPath = ()) -> Any:
    """Plain data; texts divided into bars keep the line ends they were written with."""
    if isinstance(item.value, dict):
        return {key: _plain(each, (*path, key)) for key, each in item.value.items()}
    if isinstance(item.value, tuple):
        return [_plain(each, (*path, index)) for index, each in enumerate(item.value)]
    if isinstance(item.value, str) and any(path[: len(start)] == start for start in _BARS):
        return with_lines(item)
    return as_text(item) if path in _TEXTS else item.value


def _hidden_by_comments(root: SourceItem) -> list[Problem]:
    """Signs like #IVo7 and #4 that YAML took for the beginning of a comment."""
    problems = []
    for path, item in walk(root):
        like = next((_BARS[start] for start in _BARS if path[: len(start)] == start), None)
        scalar = not isinstance(item.value, dict | tuple)
        start = comment_after(item) if scalar and like else None
        source = item.place.source
        if start is not None and like and like.match(source.text, start):
            about = {"path": dotted(path), "value": item.value, "allowed": COMMENT_ALLOWED}
            problems.append(source.problem(COMMENT, start, **about))
    return problems


def read_source(
    path: FilePath, name: str | None = None, asked_by: FilePath | None = None
) -> DrillSource:
    """The text of a file, which another may have asked for by name.  Raises RefusedError where
    there is none to be had."""
    data = read_data(path, 4 * MAX_CHARACTERS, asked_by)
    if len(data) > 4 * MAX_CHARACTERS:
        raise refuse("the file is too long for a drill", f"up to {MAX_CHARACTERS} characters")
    return DrillSource(name or str(path), _text(data))


_read: ContextVar[dict[FilePath, int] | None] = ContextVar("_read", default=None)


@contextmanager
def files_read() -> Iterator[dict[FilePath, int]]:
    """Every file that is asked for meanwhile, also one that is not there, and when it had been
    changed."""
    files: dict[FilePath, int] = {}
    before = _read.set(files)
    try:
        yield files
    finally:
        _read.reset(before)


def changed_at(path: FilePath) -> int:
    """Nanoseconds since 1970; 0 while an editor replaces it."""
    try:
        return path.stat().st_mtime_ns
    except (OSError, ValueError):
        return 0


def read_data(path: FilePath, most: int, asked_by: FilePath | None = None) -> bytes:
    """The bytes of a file, one more than `most` where it has more.  Raises RefusedError where there
    is no such file, or none that ends."""
    if (files := _read.get()) is not None:
        files.setdefault(path, changed_at(path))
    try:
        state = path.stat().st_mode
        regular = S_ISREG(state) or S_ISDIR(state)
        data = _head(path, most) if regular else b""
    except IsADirectoryError:
        raise refuse("this is a folder", "a file in it") from None
    except FileNotFoundError:
        raise refuse("there is no such file", "", neighbour(path, asked_by)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a name of a file"
        raise refuse(f"the file cannot be read ({str(reason).lower()})") from None
    if not regular:
        raise refuse("this is a pipe or a device", "a file")  # which might never end
    return data


def _head(path: FilePath, most: int) -> bytes:
    """What a file may have, and one byte more."""
    with path.open("rb") as file:
        return file.read(most + 1)


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


def neighbour(path: FilePath, but: FilePath | None = None) -> str:
    """A file of its kind beside it with nearly that name, but not the one that asks for it."""
    alike = ENDINGS if path.suffix in ("", *ENDINGS) else (path.suffix,)
    try:
        files = sorted(each for each in path.parent.iterdir() if each.suffix in alike)
        others = [each for each in files if but is None or not each.samefile(but)]
    except OSError:
        return ""
    names = {show(each.stem): show(each.name) for each in others}
    wanted = path.stem if path.suffix in alike else path.name
    return names.get(show(wanted)) or names.get(nearest(wanted, (e.stem for e in others)), "")


def file_error(name: str, refused: RefusedError) -> DrillError:
    """The same about a file named on the command line, where there is no line to cite."""
    return DrillError(
        Problem(name, 0, 0, "", name, wrong.message, wrong.allowed, wrong.nearest)
        for wrong in refused.wrongs
    )
