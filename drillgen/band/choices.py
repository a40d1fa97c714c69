"""Patterns to draw from, each with its weight and the tempos that it is played at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf
from random import Random
from typing import Any

_AGAIN = 0.4  # how much rarer a pattern is that was just played


@dataclass(frozen=True, slots=True)
class Tempos:
    """From one tempo to just below another, in beats of the meter a minute."""

    low: float
    below: float

    @classmethod
    def of(cls, table: Mapping[str, Any]) -> Tempos:
        return cls(float(table.get("from", 0)), float(table.get("below", inf)))

    def __contains__(self, tempo: float) -> bool:
        return self.low <= tempo < self.below


ALWAYS = Tempos(0.0, inf)


@dataclass(frozen=True, slots=True)
class Choices:
    """Patterns to draw from, with their weights."""

    patterns: tuple[str, ...]
    weights: tuple[float, ...]
    tempos: tuple[Tempos, ...]

    @classmethod
    def of(cls, table: Mapping[str, Any]) -> Choices:
        """Read `pattern: weight` or `pattern: {weight:, from:, below:}`."""
        long = {
            str(pattern).strip(): value if isinstance(value, Mapping) else {"weight": value}
            for pattern, value in table.items()
        }
        return cls(
            tuple(long),
            tuple(float(value["weight"]) for value in long.values()),
            tuple(Tempos.of(value) for value in long.values()),
        )

    def at(self, tempo: float) -> dict[str, float]:
        """The weights of the patterns that are played at a tempo."""
        rows = zip(self.patterns, self.weights, self.tempos, strict=True)
        return {pattern: weight for pattern, weight, tempos in rows if tempo in tempos}

    def draw(self, random: Random, tempo: float, last: str | None = None) -> str:
        """A pattern for the tempo, the last one less likely.  There must be one."""
        return drawn(random, remembering(self.at(tempo), last))


def remembering(weights: Mapping[str, float], last: str | None) -> dict[str, float]:
    """The same weights, the pattern that was just played made rarer."""
    return {
        pattern: weight * (_AGAIN if pattern == last else 1.0)
        for pattern, weight in weights.items()
    }


def drawn(random: Random, weights: Mapping[str, float]) -> str:
    """One of the patterns, by its weight."""
    return random.choices(list(weights), list(weights.values()))[0]
