"""One track, written and played."""

from __future__ import annotations

import pickle
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

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


def played(planned: Planned, written: Path | None = None) -> Track:
    """Write and play a track.  `written`: see `performed`."""
    (chart,) = charts(planned.drill)
    return Track(planned.folder, planned.name, chart, *performed(chart, written))


def performed(chart: Chart, written: Path | None = None) -> tuple[Score, Performance]:
    """A chart written out and played.

    `written`: a file into which `keep` has put the same chart's score and performance, which are
    taken from it.  (The drill behind it may have had other tempos and keys than this track's.)
    """
    if written is not None and written.exists():
        score, performance = pickle.loads(written.read_bytes())
        return replace(score, chart=chart), replace(performance, chart=chart)
    score = arrange(chart)
    return score, perform(score)


def keep(track: Track, file: Path) -> None:
    """Write a track's score and performance down for `performed`.  Raises OSError."""
    file.write_bytes(pickle.dumps((track.score, track.performance)))
