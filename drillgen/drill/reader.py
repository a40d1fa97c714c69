"""From a text, with what is asked over it, to a drill, or to everything that is wrong with it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any, get_args

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from drillgen.drill.band import PLAYERS
from drillgen.drill.fields import Model, is_off
from drillgen.drill.files import with_unix_lines
from drillgen.drill.lines import COMMON
from drillgen.drill.messages import (
    DrillError,
    KeyPath,
    Problem,
    RefusedError,
    Wrong,
    dotted,
    listed,
    nearest_key,
    show,
)
from drillgen.drill.models import Drill
from drillgen.drill.yaml_source import (
    COMMENT,
    COMMENT_ALLOWED,
    DrillSource,
    SourceItem,
    SourceSpan,
    as_text,
    comment_after,
    from_python,
    parse,
    plain_scalar,
    source_offset,
    walk,
    whole_text,
    with_lines,
)

# What is written in one place put over what is written in another.
#
# Mappings are joined key by key; anything else replaces what lies under it. A short form counts as
# its long one, so that `line: arpeggio` over `line: {kind: roots, instrument: guitar}` keeps the
# guitar; options that belong to the other kind of line are dropped with it.

# The key that a short form stands for.
_MAIN: dict[KeyPath, str] = {
    ("tempo",): "from",
    ("count_in",): "bars",
    ("line",): "kind",
    ("gaps",): "call",
    ("sheet",): "show",
    ("audio",): "format",
    **{("band", player): "kind" for player in PLAYERS},
}
_REPLACED_WHOLE: set[KeyPath] = {("progression",)}
# A number or word here means the whole: `tempo: 72` does not climb, `gaps: 2` answers in 2.
_SHORT_MEANS_ALL: set[KeyPath] = {("tempo",), ("gaps",)}


def merge(under: SourceItem, over: SourceItem, path: KeyPath = ()) -> SourceItem:
    """`over` where it says something, `under` where it does not."""
    if path in _REPLACED_WHOLE:
        return over
    if not isinstance(over.value, dict):
        short = path in _MAIN and path not in _SHORT_MEANS_ALL
        if not short or isinstance(over.value, tuple) or is_off(over.value):
            return over
    lower, upper = long_form(under, path), long_form(over, path)
    if lower is None or upper is None:
        return over
    below, above = lower.get("kind"), upper.get("kind")
    if path == ("line",) and below and above and below.value != above.value:
        lower = {key: item for key, item in lower.items() if key in COMMON}
    joined = {
        key: merge(lower[key], item, (*path, key)) if key in lower else item
        for key, item in upper.items()
    }
    return replace(over, value={**lower, **joined}, style=None)


def long_form(item: SourceItem, path: KeyPath) -> dict[str, SourceItem] | None:
    """The mapping that an item is or is short for."""
    if isinstance(item.value, dict):
        return item.value
    if isinstance(item.value, tuple):
        return None
    if path == ("band",) and is_off(item.value):
        return dict.fromkeys(PLAYERS, item)
    if path not in _MAIN or (is_off(item.value) and path[0] != "band"):
        return None
    return {_MAIN[path]: item}


_YAML_STARTS = ("{", "[", '"', "'")


@dataclass(frozen=True, slots=True)
class Override:
    """A value for a key of the drill, nested keys with dots: `band.bass`."""

    path: str
    text: str  # as typed; read like a value in YAML
    origin: str  # how to cite it: "--set band.bass=walking"
    value: Any = None  # a value from Python, where there is no text

    @classmethod
    def of(cls, path: str, value: Any) -> Override:
        """A value from Python, for the argument `path` (two underscores for a dot)."""
        origin = path
        with suppress(RecursionError, ValueError):  # nested too deeply, or a number too large
            origin = f"{path}={value!r}"[:80]
        return cls(path.replace("__", "."), "", origin, value)

    def item(self) -> SourceItem:
        """The value alone.  Raises DrillError where the text is not readable."""
        whole_text(self.path + self.text, self.origin)
        if self.value is not None:
            return from_python(self.value, self.origin)
        source = DrillSource(self.origin, self.text.strip(), positions=False)
        if source.text.startswith(_YAML_STARTS):
            return parse(source)
        place = SourceSpan(source, 0, len(source.text))
        return SourceItem(plain_scalar(source.text), place, written=source.text)


def apply(drill: SourceItem, overrides: Iterable[Override]) -> SourceItem:
    """The drill with the overrides over it, the later ones uppermost."""
    problems: list[Problem] = []
    for override in overrides:
        try:
            drill = merge(drill, _nested(override))
        except DrillError as error:
            problems += error.problems
    if problems:
        raise DrillError(problems)
    return drill


def _nested(override: Override) -> SourceItem:
    item = override.item()
    keys = [key.strip() for key in override.path.split(".")]
    if len(keys) > 1 and not all(keys):
        raise DrillError([_no_path(override, ".".join(filter(None, keys)))])
    for key in reversed(keys):
        item = SourceItem({key: replace(item, key=item.place)}, item.place)
    return item


def _no_path(override: Override, meant: str) -> Problem:
    source = DrillSource(override.origin, "", positions=False)
    allowed = "a key, or keys with one dot between them: band.bass"
    return source.problem(
        "a key is missing beside a dot", allowed=allowed, nearest=meant and f'"{meant}"'
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


DRILL_KEYS = frozenset(_fields(Drill))


def _inside(model: type[Model], step: str | int) -> list[type[Model]]:
    field = _fields(model).get(str(step))
    return _models_in(field.annotation) if field else []


def _models_in(annotation: Any) -> list[type[Model]]:
    if isinstance(annotation, type) and issubclass(annotation, Model):
        return [annotation]
    return [model for inner in get_args(annotation) for model in _models_in(inner)]


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
    return read_item(apply(parse(DrillSource(name, with_unix_lines(text))), overrides))


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
