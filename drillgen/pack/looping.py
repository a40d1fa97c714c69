"""The loops of a track: each of its keys by itself, without count-in and ending."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import PurePosixPath

from drillgen.pack.mixes import Mix
from drillgen.pack.naming import distinct
from drillgen.pack.track import Track
from drillgen.theory.keys import Key


@dataclass(frozen=True, slots=True)
class Loop:
    """All passes of one key, to be played round and round."""

    key: Key
    label: str  # "Bb"; "Bb (2)" where the cycle comes back to it
    start: float  # seconds
    end: float  # seconds

    def mix(self, mix: Mix) -> Mix:
        """A mix of the track as one of this loop."""
        return replace(mix, role=f"{self.label}{mix.ending}", kind="loops")

    def path(self, track: Track, mix: Mix) -> PurePosixPath:
        """The file in the pack, as a WAV."""
        name = f"{track.name} - {self.label} loop{mix.ending}.wav"
        return PurePosixPath(track.folder) / "loops" / name


def loops(track: Track) -> Iterator[Loop]:
    """A loop for each key of a track, in order."""
    chart = track.chart
    played = [bar for bar in chart.bars if bar.form_bar >= 0 and not bar.tag]
    keys = [list(bars) for _, bars in groupby(played, key=lambda bar: bar.key_number)]
    labels = distinct(bars[0].key.short for bars in keys)
    for bars, label in zip(keys, labels, strict=True):
        start, end = chart.seconds_at(bars[0].start), chart.seconds_at(bars[-1].end)
        yield Loop(bars[0].key, label, start, end)
