"""The JSON Schema agrees with the reader, judged by the jsonschema package (Draft 2020-12)."""

from __future__ import annotations

import json
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from ruamel.yaml import YAML

from drillgen.drill.files import list_presets
from drillgen.drill.messages import DrillError
from drillgen.drill.models import Drill
from drillgen.drill.reader import drill_of
from drillgen.drill.schema import json_schema

KEYS = [field.alias or name for name, field in Drill.model_fields.items()]


@cache
def schema():
    """Written when a test asks: each worker reads this file."""
    return json.loads(json.dumps(json_schema()))


@cache
def validator():
    return Draft202012Validator(schema())


def accepted(data):
    try:
        drill_of(data)
    except DrillError:
        return False
    return True


def test_it_is_a_schema():
    """The schema itself is valid Draft 2020-12 and describes every key for an editor."""
    Draft202012Validator.check_schema(schema())
    properties = schema()["$defs"]["Drill"]["properties"]
    assert set(properties) == set(KEYS)
    assert [where for where in undescribed(schema()) if where] == []


def undescribed(part, where=""):
    """The keys, anywhere in the schema, that no sentence explains; "" for those that one does."""
    if isinstance(part, list):
        for each in part:
            yield from undescribed(each, where)
    elif isinstance(part, dict):
        for key, each in part.get("properties", {}).items():
            said = isinstance(each, dict) and len(meant(each).get("description", "").split()) > 1
            yield "" if said or not isinstance(each, dict) else f"{where}.{key}"
        for key, each in part.items():
            yield from undescribed(each, f"{where}.{key}")


def meant(part):
    """A part, or the one that it refers to (RFC 6901)."""
    found = schema()
    for step in part.get("$ref", "#").split("/")[1:]:
        found = found[step]
    return found if "$ref" in part else part


@pytest.mark.parametrize("preset", list_presets(), ids=lambda preset: preset.name)
def test_every_preset_is_valid(preset):
    """An editor finds nothing wrong with any preset."""
    data = YAML(typ="safe", pure=True).load(preset.path.read_text("utf-8"))
    assert list(validator().iter_errors(data)) == []


@pytest.mark.parametrize(
    "text",
    [
        "{}",
        "{progression: 3}",
        "{progression: []}",
        "{progression: {}}",
        "{progression: ii7, tempo: 720}",
        "{progression: ii7, tempo: [60, 20]}",
        "{progression: ii7, tempo: {from: 60}}",
        "{progression: ii7, tempo: {from: 60, to: 90, by: 2}}",
        "{progression: ii7, tmpo: 72}",
        "{progression: ii7, key: H}",
        "{progression: ii7, key: c}",
        "{progression: ii7, key_cycle: sideways}",
        "{progression: ii7, key_cycle: {start: C}}",
        "{progression: ii7, key_cycle: {move: 0}}",
        "{progression: ii7, meter: 7/8}",
        "{progression: ii7, passes: 0}",
        "{progression: ii7, passes: true}",
        "{progression: ii7, swing: 5}",
        "{progression: ii7, feel: marching}",
        "{progression: ii7, title: ''}",
        "{progression: ii7, title: null}",
        "{progression: ii7, band: loud}",
        "{progression: ii7, band: {bass: tuba}}",
        "{progression: ii7, band: {bass: {level: -3}}}",
        "{progression: ii7, band: {drums: {lvel: -3}}}",
        "{progression: ii7, line: {kind: roots, begin_on: 3}}",
        "{progression: ii7, line: {begin_on: 5}}",
        "{progression: ii7, line: {order: 1357}}",
        "{progression: ii7, line: null}",
        "{progression: ii7, line: {range: E1-G3}}",
        "{progression: ii7, gaps: 0}",
        "{progression: ii7, gaps: null}",
        "{progression: ii7, gaps: {call: 4, band: loud}}",
        "{progression: ii7, count_in: 9}",
        "{progression: ii7, ending: fade}",
        "{progression: ii7, sheet: {transpose: F}}",
        "{progression: ii7, tracks: many}",
    ],
)
def test_both_refuse(text):
    """What the reader refuses for its shape, the schema refuses too."""
    data = YAML(typ="safe", pure=True).load(text)
    assert not accepted(data)
    assert not validator().is_valid(data)


@pytest.mark.parametrize(
    ("text", "valid"),
    [
        ("{drills: [first-two-fives, {progression: ii7}, {drill: a.yaml, tempo: 60}]}", True),
        ("{title: x, defaults: {tempo: 72}, drills: [a]}", True),
        ("{title: x, defaults: {tempo: 720}, drills: [a]}", False),
        ("{title: x, defaults: {tempo: 72}}", False),
        ("{drills: []}", False),
        ("{drills: [3]}", False),
        ("{drills: [a], tempo: 72}", False),
        ("{drills: [{tmpo: 72}]}", False),
    ],
)
def test_lessons(text, valid):
    """Lessons are described as well."""
    assert validator().is_valid(YAML(typ="safe", pure=True).load(text)) == valid


WORDS = [
    "off",
    "none",
    "C",
    "F minor",
    "fourths",
    "shuffled",
    "swing",
    "roots",
    "guide tones",
    "arpeggio",
    "walking",
    "sticks",
    "brushes",
    "piano",
    "hold",
    "both",
    "line",
    "together",
    "yes",
    "4/4",
    "3/4",
    "60, 72",
    "1357",
    "E1 to G3",
    "beats",
    "Bb",
    "repeats",
    "time",
]
INNER = [
    "kind",
    "level",
    "drums",
    "bass",
    "call",
    "response",
    "from",
    "to",
    "step",
    "bars",
    "sound",
    "start",
    "move",
    "keys",
    "begin_on",
    "order",
    "show",
    "range",
    "register",
    "instrument",
    "harmony",
    "A",
    "form",
]
SCALARS = st.one_of(
    st.sampled_from(WORDS),
    st.integers(-2, 400),
    st.booleans(),
    st.none(),
    st.floats(0, 400),
    st.text(max_size=4),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(INNER), inner, max_size=3)
    ),
    max_leaves=6,
)


@given(st.sampled_from(KEYS), VALUES)
def test_the_schema_accepts_whatever_the_reader_accepts(key, value):
    """No drill that can be built is marked as wrong in the editor (random values for each key)."""
    data = {"progression": "ii7 | V7", key: value}
    if accepted(data):
        assert list(validator().iter_errors(data)) == []
