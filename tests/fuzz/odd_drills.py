"""Nearly valid drills: what the JSON Schema allows, with melodies that add up, and now and then a
value that is none of it."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from random import Random
from typing import Any

from quicktions import Fraction

from drillgen.drill.band import meters, playable_feels
from drillgen.drill.bars import METERS
from drillgen.drill.melody import LENGTHS, length_of
from drillgen.drill.schema import json_schema

_CHORDS = [
    ["Imaj7", "ii7", "V7", "i6", "iiø7", "V7b9", "V7alt", "subV7", "#ivo7", "VI7/3", "N.C.", "Vsus",
     "I", "ii7/5", "bVII13", "IVmaj7#11", "iii7", "V13sus4"],
    ["Dm7", "G7", "Cmaj7", "F#m7b5", "Bb13#11", "Ebo7", "N.C.", "A7alt", "C/E", "Fsus4", "Abmaj9"],
]  # fmt: skip
_VALUES = [letter + change for letter in LENGTHS for change in ("", ".", "t")]
_TONES = ["1", "2", "b3", "3", "4", "#4", "5", "6", "b7", "7", "1'", "5,", "b7,", "r"]
_ODD: list[Any] = [None, True, -1, 0, 10**9, 1e-9, "", "x", "♭", [], {}, [[]], {"x": 1}, "9" * 40]
_RANGES = ["E1 to G3", "C2 to C5", "E1 to E2", ["G2", "G4"], "C4 to C6"]
# How often each of a drill's keys is written, where that is not as often as most.
_MOSTLY = 0.4
_OFTEN = {"progression": 1.0, "line": 0.9, "gaps": 0.7, "tempo": 0.6, "passes": 0.3, "key": 0.1,
          "key_cycle": 0.95, "title": 0.1, "note": 0.1, "meter": 0.0, "feel": 0.0}  # fmt: skip


def drill(chance: Random) -> str:
    """The text of a drill."""
    schema = _schema()["$defs"]["Drill"]
    feel, meter = chance.choice(_feels())
    data = {
        name: _value(of, name, meter, chance)
        for name, of in schema["properties"].items()
        if chance.random() < _OFTEN.get(name, _MOSTLY)
    } | {"feel": feel, "meter": meter}
    data = json.loads(json.dumps(data))  # the schema's own examples stay as they are
    if chance.random() < 0.1:
        holder, key = chance.choice(list(_places(data)))
        holder[key] = chance.choice(_ODD)
    return "".join(f"{key}: {json.dumps(value)}\n" for key, value in data.items())


@cache
def _feels() -> list[tuple[str, str]]:
    """Every feel with each of its meters."""
    return [(feel, meter) for feel in playable_feels() for meter in meters(feel)]


@cache
def _schema() -> dict[str, Any]:
    return json_schema()


def _places(value: Any) -> list[tuple[Any, Any]]:
    """Everything that may be changed in nested data: what holds it, and its key or index."""
    keys = range(len(value)) if isinstance(value, list) else list(value)
    found = [(value, key) for key in keys]
    inner = [value[key] for key in keys if isinstance(value[key], dict | list)]
    return found + [place for each in inner for place in _places(each)]


def _value(schema: dict[str, Any], name: str, meter: str, chance: Random) -> Any:
    """A value that a schema allows, as far as this can tell."""
    own_words = name != "notes" or "maxItems" not in json.dumps(schema)  # else a set of notes
    if name in _POOLS and own_words and "enum" not in schema:
        return _POOLS[name](meter, chance)
    if "$ref" in schema:
        return _value(_schema()["$defs"][schema["$ref"].split("/")[-1]], name, meter, chance)
    if "const" in schema:
        return schema["const"]
    if "enum" in schema:
        return chance.choice(schema["enum"])
    if "examples" in schema and chance.random() < 0.5:
        return chance.choice(schema["examples"])
    for several in ("anyOf", "oneOf", "allOf"):
        if several in schema:
            return _value(chance.choice(schema[several]), "", meter, chance)
    kinds = schema.get("type", "object")
    kind = kinds if isinstance(kinds, str) else chance.choice(kinds)
    return _OF_TYPE[kind](schema, meter, chance)


def _object(schema: dict[str, Any], meter: str, chance: Random) -> dict[str, Any]:
    needed, often = schema.get("required", ()), chance.choice([0.2, 0.5])
    found = {
        name: _value(of, name, meter, chance)
        for name, of in schema.get("properties", {}).items()
        if name in needed or name == "kind" or chance.random() < often
    }
    other = schema.get("additionalProperties")
    if isinstance(other, dict):
        found[chance.choice(["V7", "m7", "ii7", "Imaj7"])] = _value(other, "", meter, chance)
    return found


def _number(schema: dict[str, Any], meter: str, chance: Random) -> float:
    low = schema.get("minimum", 0)
    high = schema.get("maximum", low + 20)
    return chance.choice([low, high, round(chance.uniform(low, high), 2)])


def _integer(schema: dict[str, Any], meter: str, chance: Random) -> int:
    low = schema.get("minimum", 0)
    high = min(schema.get("maximum", low + 9), low + chance.choice([1, 3, 9]))
    return chance.choice([low, chance.randint(low, high)])


def _array(schema: dict[str, Any], meter: str, chance: Random) -> list[Any]:
    least = schema.get("minItems", 1)
    number = chance.randint(least, min(schema.get("maxItems", 4), least + 3))
    return [_value(schema["items"], "", meter, chance) for _ in range(number)]


_OF_TYPE: dict[str, Callable[[dict[str, Any], str, Random], Any]] = {
    "object": _object,
    "number": _number,
    "integer": _integer,
    "array": _array,
    "boolean": lambda schema, meter, chance: chance.random() < 0.5,
    "string": lambda schema, meter, chance: chance.choice(["C", "1 3 5", "q e e", "h", "A"]),
    "null": lambda schema, meter, chance: None,
}


def _progression(meter: str, chance: Random) -> str:
    beats = METERS[meter].beats
    chords, bars = chance.choice(_CHORDS), []
    for _ in range(chance.choice([1, 2, 4, 4, 5, 8])):
        crowd = chance.choice([1, 1, 1, 2 if beats % 2 == 0 else beats, beats])
        bars.append(" ".join(chance.choice(chords) for _ in range(crowd)))
    return " | ".join(bars)


def _notes(meter: str, chance: Random) -> str:
    """A melody whose bars add up, now and then with a pick-up."""
    bar = METERS[meter].bar
    lengths = [bar] * chance.choice([1, 1, 2, 4])
    if chance.random() < 0.2:
        lengths = [Fraction(1, 2), *lengths, bar - Fraction(1, 2)]
    return " | ".join(" ".join(_bar(length, chance)) for length in lengths)


def _bar(length: Fraction, chance: Random) -> list[str]:
    """Notes that fill a bar, by trying."""
    short = chance.random() < 0.5
    while True:
        left, found = length, []
        while left:
            fits = [v for v in _VALUES if (own := length_of(v)) and own <= min(left, 1 + 3 * short)]
            if not fits:
                break
            value = chance.choice(fits)
            again = chance.choice([1, 1, 3]) if value.endswith("t") else 1
            for _ in range(again):
                if (own := length_of(value) or left) <= left:
                    found.append(f"{chance.choice(_TONES)}:{value}")
                    left -= own
        if not left:
            return found


def _tempo(meter: str, chance: Random) -> Any:
    own = [30, 60, 97.3, 120, 200, 360, round(chance.uniform(30, 360), 2)]
    return chance.choice([*own, *own, [60, 300], {"from": 100, "to": 140, "step": 20}])


_KEYS = ["C", ["C"], ["F#", "Bbm"], "Eb", "C, F, Bb", {"start": "C", "move": 5, "keys": 3}, ["Gm"]]
_POOLS: dict[str, Callable[[str, Random], Any]] = {
    "progression": _progression,
    "notes": _notes,
    "tempo": _tempo,
    "key": lambda meter, chance: chance.choice(["C", "Db", "F#m", "Bb"]),
    "key_cycle": lambda meter, chance: chance.choice(_KEYS),
    "passes": lambda meter, chance: chance.choice([1, 2, 3]),
    "range": lambda meter, chance: chance.choice(_RANGES),
    "register": lambda meter, chance: chance.choice(_RANGES),
    "title": lambda meter, chance: chance.choice(["Four bars", "Ω", "a" * 100]),
    "note": lambda meter, chance: chance.choice(["Sing it first.", "😀", ""]),
}
