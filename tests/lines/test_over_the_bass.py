"""A melody on the bass player's own instrument, over the band's bass.

Common practice: who accompanies a bass solo stays low, and the melody is heard above the bass.
"""

from __future__ import annotations

from functools import cache

import pytest

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.files import list_presets
from drillgen.drill.lesson import load
from drillgen.drill.sheet import BASSES
from drillgen.score import Score
from tests.lines.writing import WITHOUT_OTHERS

# One note in so many may lie below the bass in one drill: a written melody may be wider than what
# the range has over the bass.
MELODIC = {"enclosure": 15, "riff": 15, "phrases": 15, "written": 10}


def crossings(score: Score) -> tuple[int, int]:
    """The line's notes that sound below one of the bass, and those that sound with it at all."""
    line, bass = score.part("line"), score.part("bass")
    below = together = 0
    for note in line.notes if line else ():
        end = note.start + note.duration
        under = [
            each.pitch.midi
            for each in (bass.notes if bass else ())
            if each.start < end and note.start < each.start + each.duration
        ]
        together += bool(under)
        below += any(note.pitch.midi < key for key in under)
    return below, together


@cache
def over_a_bass() -> list[Score]:
    """The lines of the presets that could meet a bass, a track of each drill."""
    drills = (drill for each in list_presets() for drill in load(each.name, WITHOUT_OTHERS).drills)
    return [
        arrange(charts(drill)[0])
        for drill in drills
        if (spec := drill.line) is not None
        and spec.kind in MELODIC and not spec.range and spec.instrument in BASSES
        and drill.band.bass.plays
    ]  # fmt: skip


@pytest.mark.parametrize("kind", MELODIC)
def test_melodies_lie_over_the_bass(kind: str) -> None:
    """Over every preset: at most one note in thirty lies below the bass that sounds with it, and in
    no drill more than one in fifteen; of melodies that a teacher wrote one in twenty and in ten."""
    below = together = 0
    for score in over_a_bass():
        drill = score.chart.drill
        if drill.line is not None and drill.line.kind == kind:
            found, of = crossings(score)
            assert found <= of / MELODIC[kind], drill.title
            below, together = below + found, together + of
    assert together > 250 and below <= together / (2 * MELODIC[kind])
