"""The presets' music, composed once for all tests of a process that look at it.

Tests of one preset carry its group (`of_preset`), so that one worker runs them all.
"""

from __future__ import annotations

from functools import lru_cache

import pytest

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.lesson import list_presets, load
from drillgen.drill.models import Override
from drillgen.score import Score
from drillgen.sheet.sheets import Sheets, sheets

NAMES = tuple(sorted(preset.name for preset in list_presets()))
# Beside seed 1 every preset is looked at with one more of the seeds to 8: every third with 7.
SECOND = {name: 7 if number % 3 == 0 else 2 + number % 7 for number, name in enumerate(NAMES)}


@lru_cache(maxsize=2)
def composed(preset: str, seed: int) -> tuple[tuple[Score, ...], ...]:
    """For each drill of a preset the scores of its tracks."""
    drills = load(preset, [Override.of("seed", seed)]).drills
    return tuple(tuple(arrange(chart) for chart in charts(drill)) for drill in drills)


@lru_cache(maxsize=2)
def engraved(preset: str, seed: int) -> tuple[Sheets, ...]:
    """For each drill of a preset its sheets."""
    return tuple(sheets(scores) for scores in composed(preset, seed))


def of_preset(preset: str, *values: object, **more: object) -> object:
    """A parameter set for `pytest.mark.parametrize`, run where the preset's others are."""
    marks = [pytest.mark.xdist_group(f"preset {preset}"), *more.pop("marks", ())]  # type: ignore[misc]
    return pytest.param(preset, *values, marks=marks, **more)  # type: ignore[arg-type]
