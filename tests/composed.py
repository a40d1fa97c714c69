"""The presets' music, composed once for all tests of a process that look at it.

One worker runs all tests that name a preset first (`scheduling.py`).
"""

from __future__ import annotations

from functools import cache, lru_cache

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.lesson import list_presets, load
from drillgen.drill.models import Drill
from drillgen.drill.overrides import Override
from drillgen.score import Score
from drillgen.sheet.sheets import Sheets, sheets

NAMES = tuple(sorted(preset.name for preset in list_presets()))
# What is looked at of every preset: seed 1, and of every third one seed 7, too.
ASKED = [(name, 1) for name in NAMES] + [(name, 7) for name in NAMES[::3]]


@cache
def drills(preset: str) -> tuple[Drill, ...]:
    """A preset's drills as they are."""
    return load(preset).drills


@lru_cache(maxsize=2)
def composed(preset: str, seed: int) -> tuple[tuple[Score, ...], ...]:
    """For each drill of a preset the scores of its tracks."""
    asked = load(preset, [Override.of("seed", seed)]).drills
    return tuple(tuple(arrange(chart) for chart in charts(drill)) for drill in asked)


@lru_cache(maxsize=2)
def engraved(preset: str, seed: int) -> tuple[Sheets, ...]:
    """For each drill of a preset its sheets."""
    return tuple(sheets(scores) for scores in composed(preset, seed))
