"""The presets' music, composed once for all tests of a process that look at it.

One worker runs all tests that name a preset first (`scheduling.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache, lru_cache

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.bars import Tempo
from drillgen.drill.files import list_presets
from drillgen.drill.lesson import load
from drillgen.drill.models import Drill
from drillgen.drill.reader import Override
from drillgen.score import Score
from drillgen.sheet.sheets import Sheets, sheets

_PRESETS = sorted(list_presets(), key=lambda preset: preset.name)
NAMES = tuple(preset.name for preset in _PRESETS)
# What is looked at of every preset: seed 1, and of every third one seed 7, too, but for lessons of
# ten drills and more, which are a fifth of all music.
FIRST = 1
ASKED = [(name, FIRST) for name in NAMES]
ASKED += [(preset.name, 7) for preset in _PRESETS[::3] if not preset.is_lesson]


@cache
def drills(preset: str) -> tuple[Drill, ...]:
    """A preset's drills as they are."""
    return load(preset).drills


@lru_cache(maxsize=2)
def composed(preset: str, seed: int) -> tuple[tuple[Score, ...], ...]:
    """For each drill of a preset the scores of its tracks at its first and last tempo: at one of
    them by turns where a lesson has many drills, and with a second seed."""
    asked = load(preset, [Override.of("seed", seed)]).drills
    by_turns = seed != FIRST or len(asked) > 2
    return tuple(
        tuple(arrange(chart) for chart in charts(drill) if chart.tempo in tempos)
        for drill, tempos in zip(asked, _tempos(asked, by_turns), strict=True)
    )


def _tempos(asked: tuple[Drill, ...], by_turns: bool) -> Iterator[tuple[Tempo, ...]]:
    """Of each drill those that are looked at."""
    for number, drill in enumerate(asked):
        ends = drill.tempos[0], drill.tempos[-1]
        yield (ends[number % 2],) if by_turns else ends


@lru_cache(maxsize=2)
def engraved(preset: str, seed: int) -> tuple[Sheets, ...]:
    """For each drill of a preset its sheets."""
    return tuple(sheets(scores) for scores in composed(preset, seed))
