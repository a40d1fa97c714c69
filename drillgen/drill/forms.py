"""The forms in which a progression may be written: text, a list of text, named sections."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from drillgen.drill.fields import ReadWith
from drillgen.drill.meter import Meter
from drillgen.drill.problems import (
    Path,
    RefusedError,
    Wrong,
    Wrongs,
    listed,
    nearest,
    refuse,
    show,
)
from drillgen.drill.progression import (
    BarText,
    Progression,
    Written,
    labelled,
    read_bars,
)
from drillgen.drill.signs import plain, quoted
from drillgen.drill.texts import refuse_controls
from drillgen.theory.chords import Chord

MAX_BARS = 512
_FORM = "form"
_ALLOWED = "text (ii7 | V7 | Imaj7 | %), a list of text, or named sections with form: A A B A"
Placed = tuple[Path, Written]  # a bar, and under which key or index it was written


def read_progression(value: Any, data: Mapping[str, Any]) -> Progression:
    """Read a progression; `data` holds the drill's `meter`, where that could be read."""
    if isinstance(value, Progression):
        return value
    meter = data.get("meter")
    if isinstance(value, dict):
        return _from_sections(value, meter)
    bars = _bars(value, meter)
    _refuse_mixture(bars)
    lines = [value] if isinstance(value, str) else value
    text = " | ".join(_one_line(line) for line in lines)
    return _checked(labelled([bar for _, bar in bars], ""), text)


def _one_line(text: str) -> str:
    bars = (" ".join(bar.split()) for bar in re.split(r"[|\n]+", text))
    return " | ".join(bar for bar in bars if bar)


def _bars(value: Any, meter: Meter | None) -> list[Placed]:
    """The bars of a text, or of a list of text."""
    if isinstance(value, str):
        return [((), bar) for bar in read_bars(value, meter)]
    if not isinstance(value, list | tuple) or not value:
        raise refuse(f"{show(value)} is no progression", _ALLOWED)
    wrongs = Wrongs()
    bars: list[Placed] = []
    for index, line in enumerate(value):
        with wrongs.at(index):
            if not isinstance(line, str):
                raise refuse(f"{show(line)} is not a text", _ALLOWED)
            before = bars[-1][1] if bars else None
            bars += [((index,), bar) for bar in read_bars(line, meter, before)]
    wrongs.raise_any()
    return bars


def _from_sections(data: dict[str, Any], meter: Meter | None) -> Progression:
    wrongs = Wrongs()
    sections: dict[str, list[Placed]] = {}
    for name, value in data.items():
        if name != _FORM:
            with wrongs.at(name):
                _check_name(name)
            with wrongs.at(name):
                sections[name] = _bars(value, meter)
    order: list[str] = []
    with wrongs.at(*([_FORM] if _FORM in data else [])):
        order = list(_order(data, [name for name in data if name != _FORM]))
    wrongs.raise_any()
    _refuse_mixture([((name, *path), bar) for name, rows in sections.items() for path, bar in rows])
    bars: list[BarText] = []
    for name in order:
        bars += labelled([bar for _, bar in sections[name]], name)
    return _checked(tuple(bars), " ".join(order))


def _check_name(name: str) -> None:
    """Raises RefusedError where a section's name cannot be printed, or nobody could read it."""
    refuse_controls(name, "the section's name", key=True)
    if not plain(name) or quoted(name) != name:
        message = f"{show(name)} is no name of a section"
        raise RefusedError([Wrong(message, "a name on one line: A, B", key=True)])


def _order(data: dict[str, Any], names: list[str]) -> Iterator[str]:
    """The sections in playing order: as `form` says, else as they are written."""
    if not names:
        raise refuse("there is no section", _ALLOWED)
    form = data.get(_FORM, names)
    if isinstance(form, str):
        words = [(found[0], found.start()) for found in re.finditer(r"[^\s,|]+", form)]
        if not words:
            raise refuse("the form names no section", f"names of sections: {listed(names)}")
        for word, offset in words:
            if word not in names:
                raise refuse(
                    f"there is no section {show(word)}",
                    listed(names),
                    nearest(word, names),
                    offset=offset,
                )
        yield from (word for word, _ in words)
    elif isinstance(form, list | tuple) and form:
        for index, word in enumerate(form):
            if str(word) not in names:
                raise refuse(
                    f"there is no section {show(word)}",
                    listed(names),
                    nearest(word, names),
                    at=(index,),
                )
            yield str(word)
    else:
        raise refuse(f"{show(form)} is no form", "names of sections: A A B A")


def _refuse_mixture(bars: list[Placed]) -> None:
    """Raises RefusedError where symbols and numerals are mixed, at the first that differs."""
    first: bool | None = None
    for path, written in bars:
        for slot, offset in zip(written.bar.slots, written.offsets, strict=True):
            if slot.symbol is None:
                continue
            is_chord = isinstance(slot.symbol, Chord)
            if first is None:
                first = is_chord
            if is_chord != first:
                raise refuse(
                    "chord symbols and Roman numerals are mixed",
                    "one or the other throughout",
                    at=path,
                    offset=offset,
                )


def _checked(bars: tuple[BarText, ...], text: str) -> Progression:
    if len(bars) > MAX_BARS:
        raise refuse(f"the form has {len(bars)} bars", f"up to {MAX_BARS}")
    return Progression(bars, text)


_NAME = {"type": ["string", "number"]}
_TEXT = {"type": "string", "minLength": 1}
_LINES = {"anyOf": [_TEXT, {"type": "array", "items": _TEXT, "minItems": 1}]}
PROGRESSION = ReadWith(
    schema={
        "anyOf": [
            *_LINES["anyOf"],
            {
                "type": "object",
                "minProperties": 1,
                "properties": {
                    "form": {
                        "anyOf": [_TEXT, {"type": "array", "items": _NAME, "minItems": 1}],
                        "description": "the sections in playing order: A A B A",
                    }
                },
                "additionalProperties": _LINES,
            },
        ],
        "examples": ["ii7 | V7 | Imaj7 | %", "Dm7 / / G7 | Cmaj7"],
    },
    function=read_progression,
)
