"""Keys and key cycles as a person writes them.

In a drill in minor, keys written without a mode are minor too.
"""

from __future__ import annotations

import re
from math import gcd
from typing import Any

from drillgen.drill.fields import Read, ReadWith, any_of, mapping, matching, several, whole
from drillgen.drill.messages import (
    RefusedError,
    Wrongs,
    listed,
    nearest,
    read_each,
    refuse,
    refuse_keys,
    show,
)
from drillgen.theory.other_names import key_elsewhere
from drillgen.theory.pitch import CYCLES, Key, Mode, Name, cycle, shuffled

DEFAULT_CYCLE = "fourths"
SHUFFLED = "shuffled"
MAX_KEYS = 48
C_MAJOR = Key(Name.parse("C"))
_KEY_ALLOWED = "a tonic and a mode: Bb, F# minor"
_CYCLE_ALLOWED = (
    f"a key, a list of keys, {listed(CYCLES)}, {SHUFFLED}, or {{start: C, move: -2, keys: 6}}"
)
_HAS_MODE = re.compile(r"(maj|min|m$)", re.IGNORECASE)
_KEYS = ("start", "move", "keys")
_KEY_TEXT = r"[A-G](##|bb|[#♯b♭])?\s*(major|minor|maj|min|m|M)?"


def read_key(value: Any, mode: Mode = "major") -> Key:
    """Read 'Bb', 'F minor'; a text without a mode gets the one given."""
    if isinstance(value, Key):
        return value
    text = value.strip() if isinstance(value, str) else ""
    written = text if mode == "major" or _HAS_MODE.search(text[1:]) else f"{text} {mode}"
    try:
        return Key.parse(written)
    except ValueError as error:
        raise _no_key(value, str(error)) from None


def _no_key(value: Any, said: str) -> RefusedError:
    if not said.startswith("not a key"):
        return refuse(said, "up to seven accidentals")
    foreign = key_elsewhere(value) if isinstance(value, str) else None
    if foreign:
        close = " or ".join(f'"{_spelled(each)}"' for each in foreign.here)
        return refuse(f"{show(value)} is no key: {foreign.said}", _KEY_ALLOWED, close)
    guess = str(value).strip().capitalize()
    try:
        close = f'"{Key.parse(guess).short}"'
    except ValueError:
        close = ""
    return refuse(f"{show(value)} is no key", _KEY_ALLOWED, close)


def _spelled(text: str) -> str:
    """A key's name, or its simplest where that has too many accidentals: G# major is Ab."""
    try:
        Key.parse(text)
    except ValueError:
        tonic, _, mode = text.partition(" ")
        return Key(Name.parse(tonic), "minor" if mode == "minor" else "major").simplest.short
    return text


def default_cycle(data: dict[str, Any]) -> tuple[Key, ...]:
    """All twelve keys in fourths from the drill's key."""
    return cycle(data.get("key", C_MAJOR), *CYCLES[DEFAULT_CYCLE])


def read_cycle(value: Any, data: dict[str, Any]) -> tuple[Key, ...]:
    """Read a key cycle; `data` holds the drill's `key` and `seed`."""
    key: Key = data.get("key", C_MAJOR)
    if isinstance(value, dict):
        return _moved(value, key)
    if isinstance(value, list | tuple):
        return _keys(value, key.mode)
    if value == SHUFFLED:
        return shuffled(key, data.get("seed", 1))
    if isinstance(value, str) and value in CYCLES:
        return cycle(key, *CYCLES[value])
    return _from_text(value, key.mode)


def _from_text(value: Any, mode: Mode) -> tuple[Key, ...]:
    """One key, or several with commas between."""
    if isinstance(value, str) and "," in value:
        return _keys(value.split(","), mode, indexed=False)
    try:
        return (read_key(value, mode),)
    except RefusedError as refused:
        if refused.wrongs[0].message.endswith("is no key"):
            close = _with_commas(value) or nearest(value, (*CYCLES, SHUFFLED))
            close = close or refused.wrongs[0].nearest
            raise refuse(f"{show(value)} is no key cycle", _CYCLE_ALLOWED, close) from None
        raise


def _with_commas(value: Any) -> str:
    """'[C, F, Bb]', where keys stand beside each other with spaces alone between."""
    words = str(value).split()
    keys = all(re.fullmatch(_KEY_TEXT, word) for word in words)
    return f"[{listed(words)}]" if keys else ""


def _keys(values: Any, mode: Mode, *, indexed: bool = True) -> tuple[Key, ...]:
    if not 1 <= len(values) <= MAX_KEYS:
        raise refuse(f"{len(values)} keys", f"1 to {MAX_KEYS} keys")
    return tuple(read_each(values, lambda value: read_key(value, mode), at=indexed))


_MOVE = whole(-11, 11, "semitones, but not 0")
_COUNT = whole(1, MAX_KEYS, "keys")


def _moved(data: dict[str, Any], key: Key) -> tuple[Key, ...]:
    """`move` semitones at a time from `start`, for `keys` keys or until the cycle closes."""
    start, move, keys = key, 5, 12
    with Wrongs() as wrongs:
        with wrongs.at():
            refuse_keys(data, _KEYS, "key_cycle")
        with wrongs.at("start"):
            start = read_key(data.get("start", key), key.mode)
        with wrongs.at(*(["move"] if "move" in data else [])):
            move = _move(data)
        with wrongs.at("keys"):
            keys = _COUNT.function(data.get("keys", 12 // gcd(12, move)))
    return cycle(start, move, keys)


def _move(data: dict[str, Any]) -> int:
    if "move" not in data:
        raise refuse('"move" is missing', "{start: C, move: -2, keys: 6}")
    move: int = _MOVE.function(data["move"])
    if move == 0:
        raise refuse("0 does not move", "-11 to 11 semitones, but not 0")
    return move


_KEY_SCHEMA = matching(_KEY_TEXT, examples=["Bb", "F minor"])
KEY = Read(read_key, {**_KEY_SCHEMA, "default": "C"})
KEY_CYCLE = ReadWith(
    read_cycle,
    any_of(
        {"enum": [*CYCLES, SHUFFLED]},
        matching(rf"{_KEY_TEXT}(\s*,\s*{_KEY_TEXT})*"),
        several(_KEY_SCHEMA, 1, MAX_KEYS),
        mapping(
            {
                "start": {**_KEY_SCHEMA, "description": "the first key; default: the drill's"},
                "move": {
                    **_MOVE.schema,
                    "not": {"const": 0},
                    "description": "semitones from each key to the next",
                },
                "keys": {
                    **_COUNT.schema,
                    "description": "how many keys; default: until the cycle closes",
                },
            },
            "move",
        ),
        default=DEFAULT_CYCLE,
    ),
)
