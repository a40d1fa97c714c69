"""Feels: how time is played, read from `feels/*.yaml`; `swing.yaml` explains the tables.

The file's stem names the feel; adding a file adds a feel.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from random import Random
from typing import Any

from ruamel.yaml import YAML

from drillgen.drill.models import Meter

FOLDER = Path(__file__).parent / "feels"


@dataclass(frozen=True, slots=True)
class Choices:
    """Patterns to draw from, with their weights."""

    patterns: tuple[str, ...]
    weights: tuple[float, ...]

    @classmethod
    def of(cls, table: Mapping[str, float]) -> Choices:
        return cls(tuple(table), tuple(float(weight) for weight in table.values()))

    def draw(self, random: Random) -> str:
        return random.choices(self.patterns, self.weights)[0]


@dataclass(frozen=True, slots=True)
class Layer:
    """One instrument of the kit through a bar."""

    sound: str  # a name of `percussion.KEYS`
    level: float  # dB
    choices: Choices
    comment: bool = False  # played now and then, by density; not while keeping time only


@dataclass(frozen=True, slots=True)
class DrumBook:
    """What the drummer plays with sticks, or with brushes."""

    kit: str
    layers: tuple[Layer, ...]
    fills: tuple[Mapping[str, str], ...]
    opening: tuple[str, float]  # the stroke that opens a pass: sound, level in dB


@dataclass(frozen=True, slots=True)
class TwoBeat:
    """The bass in two: where the bar's strong note, its answer and the skips between them lie."""

    strong: str
    answer: str
    skips: Choices


@dataclass(frozen=True, slots=True)
class Feel:
    """A feel in one meter."""

    name: str
    swing: str  # "published": the ratio follows the tempo; "straight": none
    drums: Mapping[str, DrumBook]
    cells: Choices
    roots: str
    two_beat: TwoBeat
    walking: str


@lru_cache(maxsize=64)
def feel(name: str, meter: Meter) -> Feel:
    """The feel as played in a meter.  Raises KeyError where it has no such meter."""
    data = _read(name)
    table = data["meters"][meter.text]
    two = table["bass"]["two-beat"]
    return Feel(
        name=name,
        swing=data["swing"],
        drums={tools: _drum_book(book) for tools, book in table["drums"].items()},
        cells=Choices.of(table["comping"]["cells"]),
        roots=table["bass"]["roots"],
        two_beat=TwoBeat(two["strong"], two["answer"], Choices.of(two["skips"])),
        walking=table["bass"]["walking"],
    )


@lru_cache(maxsize=16)
def _read(name: str) -> Mapping[str, Any]:
    path = FOLDER / f"{name.replace(' ', '-').replace('/', '-')}.yaml"
    data: Mapping[str, Any] = YAML(typ="safe", pure=True).load(path.read_text("utf-8"))
    return data


def _drum_book(book: Mapping[str, Any]) -> DrumBook:
    layers = tuple(
        Layer(
            sound=layer["sound"],
            level=float(layer["level"]),
            choices=Choices.of(layer["patterns"]),
            comment=layer.get("comment", False),
        )
        for layer in book["layers"]
    )
    opening = book["opening"]
    return DrumBook(
        book["kit"], layers, tuple(book["fill"]), (opening["sound"], float(opening["level"]))
    )
