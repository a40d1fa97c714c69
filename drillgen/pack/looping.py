"""The loops of a track: each of its keys by itself, without count-in and ending."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import PurePosixPath

from drillgen.chart import Bar
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


JUMPS = (
    "No loop of a key in which the tempo climbs: it would jump back where the loop begins again."
)


def climbs(track: Track) -> bool:
    """Whether the tempo changes within a key of a track."""
    return any(map(_climbs, _keys(track)))


def loops(track: Track) -> Iterator[Loop]:
    """A loop for each key of a track in which the tempo stays, in order."""
    chart = track.chart
    keys = _keys(track)
    labels = distinct(bars[0].key.short for bars in keys)
    for bars, label in zip(keys, labels, strict=True):
        if not _climbs(bars):
            start, end = chart.seconds_at(bars[0].start), chart.seconds_at(bars[-1].end)
            yield Loop(bars[0].key, label, start, end)


def _climbs(bars: Sequence[Bar]) -> bool:
    return len({bar.tempo for bar in bars}) > 1


def _keys(track: Track) -> list[list[Bar]]:
    """The bars of each key, count-in, tag and ending left out."""
    played = [bar for bar in track.chart.bars if bar.form_bar >= 0 and not bar.tag]
    return [list(bars) for _, bars in groupby(played, key=lambda bar: bar.key_number)]
