"""The JSON Schema (Draft 2020-12) of drills and lessons, for editors.

Each field's own annotation says what it accepts (`fields.py`), so this only puts the parts
together.  A schema cannot read chords: what lies inside a progression, the reader alone checks.
"""

from __future__ import annotations

import ast
import inspect
import json
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from textwrap import dedent
from typing import Any

from pydantic.json_schema import GenerateJsonSchema

from drillgen.drill.fields import NOTE, TITLE, Model, any_of, mapping
from drillgen.drill.lesson import MAX_DRILLS
from drillgen.drill.models import Drill

DRAFT = "https://json-schema.org/draft/2020-12/schema"
# What a teacher gets by writing nothing, where it is not one plain value inside.
_DEFAULTS: dict[str, Any] = {
    "key": "C",
    "key_cycle": "fourths",
    "meter": "4/4",
    "tempo": 80,
    "count_in": 2,
    "line": "guide tones",
    "gaps": 4,
}


class _Generator(GenerateJsonSchema):
    """Without the titles that pydantic makes of names."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def json_schema() -> dict[str, Any]:
    """A fresh copy of the schema, ready for `json.dumps`."""
    _describe()
    drill = _cleaned(Drill.model_json_schema(schema_generator=_Generator))
    parts: dict[str, Any] = drill.pop("$defs")
    for key, default in _DEFAULTS.items():
        drill["properties"][key]["default"] = default
    parts.update(Drill=drill, Change=_change(drill), Lesson=_lesson())
    return {
        "$schema": DRAFT,
        "title": "A drill or a lesson",
        "type": "object",
        "if": {"anyOf": [{"required": [key]} for key in ("drills", "defaults", "override")]},
        "then": {"$ref": "#/$defs/Lesson"},
        "else": {"$ref": "#/$defs/Drill"},
        "$defs": parts,
    }


@cache
def _describe() -> None:
    """Let every model's fields say what the text below them in the source says."""
    for model in _kinds_of(Model):
        for name, text in _texts(model):
            own = (kind for kind in _kinds_of(model) if name not in inspect.get_annotations(kind))
            for kind in (model, *own):
                kind.model_fields[name].description = text
    for model in _kinds_of(Model):
        kind_field = model.model_fields.get("kind")
        if kind_field is not None and not kind_field.description:
            kind_field.description = inspect.getdoc(model)
    for model in _kinds_of(Model):
        model.model_rebuild(force=True)


def _kinds_of(model: type[Model]) -> Iterator[type[Model]]:
    for kind in model.__subclasses__():
        yield kind
        yield from _kinds_of(kind)


def _texts(model: type[Model]) -> Iterator[tuple[str, str]]:
    """The fields that have a text below them, and the text."""
    (source,) = ast.parse(dedent(inspect.getsource(model))).body
    assert isinstance(source, ast.ClassDef)
    for field, below in pairwise(source.body):
        match field, below:
            case (
                ast.AnnAssign(target=ast.Name(name)),
                ast.Expr(value=ast.Constant(value=str(text))),
            ):
                yield name, inspect.cleandoc(text)


def as_text() -> str:
    """The schema as it stands in the file beside the presets."""
    return json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"


def _cleaned(part: Any) -> Any:
    """Without what is not JSON Schema, what no YAML may say (null), and defaults made long."""
    if isinstance(part, list):
        return [_cleaned(each) for each in part if each != {"type": "null"}]
    if not isinstance(part, dict):
        return part
    return {key: _cleaned(each) for key, each in part.items() if not _idle(key, each)}


def _idle(key: str, value: Any) -> bool:
    if key == "default":
        return value is None or isinstance(value, dict | list)
    return key == "discriminator"


def _change(drill: dict[str, Any]) -> dict[str, Any]:
    """Some of a drill's keys: defaults, or changes to a drill that is named."""
    properties = {key: {"$ref": f"#/$defs/Drill/properties/{key}"} for key in drill["properties"]}
    named = {"type": "string", "description": "The file or preset that is changed."}
    return {
        "description": "A drill, or changes to one.",
        "type": "object",
        "properties": {"drill": named, **properties},
        "additionalProperties": False,
    }


_PART = any_of(
    {"type": "null"},
    mapping(
        {
            "reads": {
                "type": "string",
                "description": "Whose sheet it reads, where its name does not say so: Bb, cello.",
            },
            "positions": {
                "type": "string",
                "description": "Where its left hand may be: first, half to III.",
            },
            "tempo": {
                "type": "string",
                "pattern": r"^\s*[0-9]{2,3} ?%\s*$",
                "description": "Its share of the lesson's tempos: 80 %.",
            },
        }
    ),
)


def _lesson() -> dict[str, Any]:
    change = {"$ref": "#/$defs/Change"}
    return {
        "description": "Several drills with shared defaults.",
        "type": "object",
        "properties": {
            "title": {**TITLE.schema, "description": "What the lesson is called."},
            "note": {**NOTE.schema, "description": "A few sentences for its students."},
            "defaults": {
                "description": "What lies under every drill.",
                "allOf": [change, {"not": {"required": ["drill"]}}],
            },
            "override": {
                "description": "What lies over every drill that is named, but for what the lesson"
                " itself changes in it.",
                "allOf": [change, {"not": {"required": ["drill"]}}],
            },
            "class": {
                "description": "The parts of a class, each of which gets a pack of its own: "
                "bass 1, trumpet; or a file of them.",
                "anyOf": [{"type": "string"}, {"type": "object", "additionalProperties": _PART}],
            },
            "drills": {
                "description": "Files, presets by name, or drills.",
                "type": "array",
                "minItems": 1,
                "maxItems": MAX_DRILLS,
                "items": {"anyOf": [{"type": "string"}, change]},
            },
        },
        "required": ["drills"],
        "additionalProperties": False,
    }
