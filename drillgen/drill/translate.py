"""From what pydantic found to sentences with a place.

A path that pydantic names is followed through the items of the file as far as it goes: a short form
has no inner keys, and the kind of a line is a step of pydantic's that is not in the file.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from drillgen.drill.base import Model
from drillgen.drill.models import Drill
from drillgen.drill.other_words import nearest_key
from drillgen.drill.problems import (
    Path,
    Problem,
    RefusedError,
    Wrong,
    dotted,
    listed,
    show,
)
from drillgen.drill.scalars import source_offset
from drillgen.drill.source import Item

# Errors that only say that another one came before.
_ECHOES = ("default_factory_not_called",)
_NOT_MAPPINGS = ("model_type", "model_attributes_type", "dict_type")


@dataclass(frozen=True, slots=True)
class _Found:
    """How far a path could be followed, and the item there."""

    item: Item
    path: Path
    complete: bool


def problems_of(error: ValidationError, root: Item) -> list[Problem]:
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


def problem_at(root: Item, path: Path, message: str) -> Problem:
    """What is wrong with a drill that could be read, at a path in the items it was read from."""
    return _problem(Wrong(message), path, root)


def refused_at(root: Item, path: Path, refused: RefusedError) -> list[Problem]:
    """What is wrong with a value that was read by itself, at its path in the items."""
    return [_problem(wrong, (*path, *wrong.at), root) for wrong in refused.wrongs]


def _wrongs(detail: ErrorDetails) -> Iterator[tuple[Path, Wrong]]:
    loc: Path = tuple(detail["loc"])
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


def _unknown_key(loc: Path) -> Wrong:
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


def _problem(wrong: Wrong, loc: Path, root: Item) -> Problem:
    found = _follow(root, loc)
    item, source = found.item, found.item.place.source
    place = item.key if wrong.key and item.key and found.complete else None
    start = place.start if place else source_offset(item, wrong.offset)
    message = wrong.message
    if item.value is None:
        message = "nothing is written here"
    value = found.path[-1] if wrong.key and found.path else item.value
    return (place.source if place else source).problem(
        message,
        start,
        path=dotted(found.path),
        value=_quiet(value),
        allowed=wrong.allowed,
        nearest=wrong.nearest,
    )


def _quiet(value: Any) -> Any:
    """The value as it can be shown and compared."""
    return show(value) if isinstance(value, dict | tuple) else value


def _follow(root: Item, loc: Path) -> _Found:
    item = root
    path: Path = ()
    complete = True
    for step in loc:
        inner = _step(item, step)
        complete = inner is not None
        if inner is not None:
            item, path = inner, (*path, step)
    return _Found(item, path, complete)


def _step(item: Item, step: str | int) -> Item | None:
    if isinstance(item.value, dict):
        return item.value.get(step)
    if isinstance(item.value, tuple) and isinstance(step, int) and step < len(item.value):
        found: Item = item.value[step]
        return found
    return None


def _keys_at(loc: Path) -> tuple[str, ...]:
    """The keys that are known at a path: those of the model there."""
    models: list[type[Model]] = [Drill]
    for step in loc:
        tagged = [model for model in models if _tag(model) == step]
        models = tagged or [inner for model in models for inner in _inside(model, step)]
    return tuple(dict.fromkeys(key for model in models for key in _fields(model)))


def _fields(model: type[Model]) -> dict[str, Any]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _tag(model: type[Model]) -> Any:
    kind = model.model_fields.get("kind")
    return kind.default if kind else None


def _inside(model: type[Model], step: str | int) -> list[type[Model]]:
    field = _fields(model).get(str(step))
    return _models_in(field.annotation) if field else []


def _models_in(annotation: Any) -> list[type[Model]]:
    if isinstance(annotation, type) and issubclass(annotation, Model):
        return [annotation]
    return [model for inner in get_args(annotation) for model in _models_in(inner)]
