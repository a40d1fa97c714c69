"""What a preset's line leaves to the student, and to the ear."""

from __future__ import annotations

from itertools import groupby

import pytest

from drillgen.chart import charts
from drillgen.drill.lesson import load
from drillgen.drill.reader import Override
from drillgen.drill.sheet import BASSES
from tests.composed import NAMES, composed, drills


@pytest.mark.parametrize("preset", NAMES)
def test_calls_and_responses_take_turns(preset: str) -> None:
    """Within a key no call follows a call, and the last word is the student's."""
    for drill in drills(preset):
        if drill.gaps is None:
            continue
        bars = [bar for bar in charts(drill)[0].bars if bar.role in ("call", "response")]
        for _, group in groupby(bars, key=lambda bar: bar.key_number):
            found = list(group)
            runs = [(role, len(list(same))) for role, same in groupby(found, lambda bar: bar.role)]
            assert found[-1].role == "response"
            assert all(length <= drill.gaps.call for role, length in runs if role == "call")


@pytest.mark.parametrize("preset", NAMES)
def test_no_line_doubles_the_bass_of_the_band(preset: str) -> None:
    """A line on the bass's own instrument is heard beside it: one that does the bass's work
    (roots, walking) has no bass beside it, and of an arpeggio's notes that begin with the bass's
    at most a quarter are the same pitch."""
    for score, *_ in composed(preset, 1):
        line, plays = score.chart.drill.line, score.chart.drill.band.bass.plays
        if line is None or line.instrument not in BASSES or not plays:
            continue
        assert line.kind not in ("roots", "walking"), score.chart.drill.title
        low = {note.start: note.pitch for note in score.part("bass").notes}  # type: ignore[union-attr]
        notes = score.part("line").notes  # type: ignore[union-attr]
        same = [low[note.start] == note.pitch for note in notes if note.start in low]
        if line.kind == "arpeggio":
            assert sum(same) <= len(same) / 4, score.chart.drill.title


@pytest.mark.parametrize("preset", ["three-plus-two", "three-and-two-halves"])
def test_minor_presets_stay_minor_in_any_cycle(preset: str) -> None:
    """`--key-cycle fourths` goes through twelve minor keys."""
    drill = load(preset, [Override("key_cycle", "fourths", "--key-cycle")]).drills[0]
    assert [key.mode for key in drill.key_cycle] == ["minor"] * 12
    assert all(key.mode == "minor" for key in load(preset).drills[0].key_cycle)
