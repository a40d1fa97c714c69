"""One track, written and played."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePosixPath

from drillgen.arrange import arrange
from drillgen.chart import Chart, charts
from drillgen.pack.plan import Planned
from drillgen.performance import Performance, perform
from drillgen.score import PartName, Score


@dataclass(frozen=True, slots=True)
class Track:
    """What is played, and the names of what will be written (from the pack's root)."""

    folder: str
    name: str
    chart: Chart
    score: Score
    performance: Performance

    def file(self, ending: str) -> PurePosixPath:
        return PurePosixPath(self.folder) / f"{self.name}{ending}"

    @property
    def parts(self) -> tuple[PartName, ...]:
        return tuple(voice.part for voice in self.performance.voices)


def played(planned: Planned) -> Track:
    """Write and play a track."""
    (chart,) = charts(planned.drill)
    score = arrange(chart)
    return Track(planned.folder, planned.name, chart, score, perform(score))
