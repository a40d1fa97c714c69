"""What a build will make: every track of every drill, with its place in the pack."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from drillgen.arrange import arrange
from drillgen.chart import Chart, charts
from drillgen.drill.models import Drill
from drillgen.pack.naming import distinct, safe, track_name
from drillgen.performance import Performance, perform
from drillgen.score import PartName, Score


@dataclass(frozen=True, slots=True)
class Track:
    """One track: what is played, and the names of what will be written (from the pack's root)."""

    folder: str
    name: str
    chart: Chart
    score: Score
    performance: Performance

    @property
    def has_line(self) -> bool:
        return self.score.part("line") is not None

    def file(self, ending: str) -> PurePosixPath:
        return PurePosixPath(self.folder) / f"{self.name}{ending}"

    def stem(self, part: PartName) -> PurePosixPath:
        return PurePosixPath(self.folder) / "stems" / f"{self.name} - {part}.wav"

    @property
    def parts(self) -> tuple[PartName, ...]:
        return tuple(voice.part for voice in self.performance.voices)


def plan(drills: Sequence[Drill]) -> tuple[Track, ...]:
    """Every track of some drills, in order; no two of them share a file."""
    folders = distinct(safe(drill.title) for drill in drills)
    return tuple(
        track
        for drill, folder in zip(drills, folders, strict=True)
        for track in _tracks(drill, folder)
    )


def _tracks(drill: Drill, folder: str) -> Iterator[Track]:
    laid_out = charts(drill)
    names = distinct(track_name(folder, chart) for chart in laid_out)
    for chart, name in zip(laid_out, names, strict=True):
        score = arrange(chart)
        yield Track(folder, name, chart, score, perform(score))
