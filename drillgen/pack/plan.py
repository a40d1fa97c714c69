"""What a build will make: every track of every drill, with its place in the pack.

A plan is made without writing a note, so that a build which has nothing to do knows it at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from drillgen.chart import Chart
from drillgen.drill.bars import Tempo
from drillgen.drill.models import Drill, seconds
from drillgen.pack.naming import distinct, track_name
from drillgen.theory.keys import Key


@dataclass(frozen=True, slots=True)
class Planned:
    """A track that is to be made: its own drill, and what its files are called."""

    drill: Drill  # with this track's one tempo and its keys alone
    folder: str
    name: str
    number: int  # in the pack, from 1

    @property
    def seconds(self) -> float:
        """About how long it will be."""
        return seconds(self.drill, len(self.drill.key_cycle), self.drill.tempos[0])


def plan(drills: Sequence[Drill], folders: Sequence[str]) -> tuple[Planned, ...]:
    """Every track of some drills, in order; no two of them share a file."""
    tracks: list[Planned] = []
    for drill, folder in zip(drills, folders, strict=True):
        split = tuple(_split(drill))
        labels = (track_name(folder, Chart(*track)) for track in split)
        for (own, _, _, _), name in zip(split, distinct(labels), strict=True):
            tracks.append(Planned(own, folder, name, len(tracks) + 1))
    return tuple(tracks)


def _split(drill: Drill) -> Iterator[tuple[Drill, tuple[Key, ...], Tempo, tuple[()]]]:
    """The drill of each track alone, in the order of `charts`, with what its chart is named by."""
    splits = [drill.key_cycle] if drill.tracks == "together" else [(k,) for k in drill.key_cycle]
    for tempo in drill.tempos:
        for keys in splits:
            own = drill.model_copy(update={"tempos": (tempo,), "key_cycle": keys})
            yield own, keys, tempo, ()
