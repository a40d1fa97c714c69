"""Feels: how time is played, read from `feels/*.yaml`; `swing.yaml` explains the tables.

The file's stem names the feel; adding a file adds a feel.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

from drillgen.band.choices import ALWAYS, Choices, Tempos
from drillgen.drill.models import Meter
from drillgen.drill.playable import feel_file

Swing = Literal["published", "straight"] | float
_FILL_LEVEL = -4.0  # dB: a fill in a practice band stays under the line
# The stroke that begins a section, by kit, where the feel has none of its own: sound, level in dB.
_SECTION = {"standard": ("ride bell", -6.0), "brush": ("ride cymbal", -12.0)}
_NO_SOUNDS = ("from", "below", "level")


@dataclass(frozen=True, slots=True)
class Layer:
    """One instrument of the kit through a bar."""

    sound: str  # a name of `percussion.KEYS`
    level: float  # dB
    choices: Choices
    tempos: Tempos = ALWAYS
    comment: bool = False  # played now and then, by density; not while keeping time only


@dataclass(frozen=True, slots=True)
class Fill:
    """What leads into a new pass or section: a pattern for each sound."""

    sounds: Mapping[str, str]
    level: float  # dB
    tempos: Tempos = ALWAYS


@dataclass(frozen=True, slots=True)
class DrumBook:
    """What the drummer plays with sticks, or with brushes."""

    kit: str
    layers: tuple[Layer, ...]
    fills: tuple[Fill, ...]
    opening: tuple[str, float]  # the stroke at the top of the form: sound, level in dB
    section: tuple[str, float]  # the stroke that begins a section


@dataclass(frozen=True, slots=True)
class Rhythms:
    """What the comping plays: cells, and how many strokes a bar they should have.

    `strokes` are rows of (from this tempo on, fewest, most): at density 0 and at density 1.
    """

    cells: Choices
    strokes: tuple[tuple[float, float, float], ...]

    def wanted(self, density: float, tempo: float) -> float:
        """Strokes a bar at a density from 0 to 1 and a tempo in beats a minute."""
        _, fewest, most = [row for row in self.strokes if row[0] <= tempo][-1]
        return fewest + (most - fewest) * density


@dataclass(frozen=True, slots=True)
class Feel:
    """A feel in one meter."""

    name: str
    swing: Swing  # "published": the ratio follows the tempo; "straight": none; or the ratio itself
    count: tuple[str, ...]  # the count-in's bars; the first stands for any before these
    drums: Mapping[str, DrumBook]
    comping: Mapping[str, Rhythms]  # "cells" for everybody, or an instrument's own
    two_beat: Choices  # figures of a bass in two
    walks: bool  # whether a bass walks here; what it walks is written by `lines/walking.py`
    sides: bool  # patterns of two bars begin with either bar, the whole band's alike (`sides.py`)

    def rhythms(self, instrument: str) -> Rhythms:
        """What an instrument comps: its own rhythms, or everybody's."""
        return self.comping.get(instrument, self.comping["cells"])


@lru_cache(maxsize=64)
def feel(name: str, meter: Meter) -> Feel:
    """The feel as played in a meter.  Raises KeyError where it has no such meter."""
    data = feel_file(name)
    table = data["meters"][meter.text]
    return Feel(
        name=name,
        swing=_swing(data["swing"]),
        count=tuple(table["count"]),
        drums={tools: _drum_book(book) for tools, book in table["drums"].items()},
        comping=_comping(table["comping"]),
        two_beat=Choices.of(table["bass"]["two-beat"]),
        walks="walking" in data["basses"],
        sides=data.get("sides", False),
    )


def _swing(value: Any) -> Swing:
    return value if value in ("published", "straight") else float(value)


def _drum_book(book: Mapping[str, Any]) -> DrumBook:
    section = _cymbal(book["section"]) if "section" in book else _SECTION[book["kit"]]
    return DrumBook(
        book["kit"],
        tuple(_layer(layer) for layer in book["layers"]),
        tuple(_fill(fill) for fill in book["fill"]),
        _cymbal(book["opening"]),
        section,
    )


def _cymbal(stroke: Mapping[str, Any]) -> tuple[str, float]:
    return stroke["sound"], float(stroke["level"])


def _layer(layer: Mapping[str, Any]) -> Layer:
    return Layer(
        sound=layer["sound"],
        level=float(layer["level"]),
        choices=Choices.of(layer["patterns"]),
        tempos=Tempos.of(layer),
        comment=layer.get("comment", False),
    )


def _fill(fill: Mapping[str, Any]) -> Fill:
    sounds = {sound: pattern for sound, pattern in fill.items() if sound not in _NO_SOUNDS}
    return Fill(sounds, float(fill.get("level", _FILL_LEVEL)), Tempos.of(fill))


def _comping(table: Mapping[str, Any]) -> Mapping[str, Rhythms]:
    """Everybody's rhythms, and those of instruments that have their own."""
    own = {name: each for name, each in table.items() if name not in ("cells", "strokes")}
    return {name: _rhythms(each) for name, each in {"cells": table, **own}.items()}


def _rhythms(table: Mapping[str, Any]) -> Rhythms:
    rows = sorted(table["strokes"].items())
    return Rhythms(
        Choices.of(table["cells"]),
        tuple((float(tempo), float(low), float(high)) for tempo, (low, high) in rows),
    )
