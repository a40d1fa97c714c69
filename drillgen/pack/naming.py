"""What a build will make, by name: every track of every drill, with its folder and its files.

A plan is made without writing a note, so that a build which has nothing to do knows it at once.

Names are readable on a phone, allowed on every system, and in the lesson's order.  What the
strictest systems refuse (Windows, FAT on a phone's card) is left out everywhere, so that a pack is
the same on each and in a zip.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from drillgen.chart import Chart
from drillgen.drill.bars import Tempo
from drillgen.drill.messages import plain
from drillgen.drill.models import Drill, key_of_bars, seconds
from drillgen.pack.inside import RESERVED
from drillgen.pack.manifest import NAME as MANIFEST
from drillgen.page.models import ALONE, FOLDER, INDEX
from drillgen.theory.keys import Key

if TYPE_CHECKING:
    from drillgen.performance import Performance
    from drillgen.score import PartName, Score

# What a pack has of its own beside the drills' folders, with the page's files.
NOTES, BOOKLET = "NOTES.txt", "booklet.pdf"
# A playlist's file for each role of a track's files: what to hear, then what to play over.
PLAYLISTS = {"with line": "Listen.m3u8", "play-along": "Play along.m3u8"}

_FORBIDDEN = re.compile(r'[<>:"/\\|?*]+')  # by Windows
_OURS = frozenset(
    name.casefold()
    for name in (MANIFEST, NOTES, BOOKLET, INDEX, ALONE, FOLDER, *PLAYLISTS.values())
)
_LONGEST = 80  # bytes of a title in UTF-8: it stands twice in a path, and a name may have 255
_COUNTED = re.compile(r"( \(\d+\))?")  # behind a repeated name
_NUMBERED = re.compile(r"(\d{2,}) (.+)")


def safe(title: str) -> str:
    """A title as a file name: forbidden signs become spaces, dots and spaces at its ends go."""
    words = re.sub(r"\s+", " ", _FORBIDDEN.sub(" ", plain(title))).strip(" .")
    name = words.encode()[:_LONGEST].decode(errors="ignore").strip(" .") or "drill"
    device = RESERVED.fullmatch(name)
    if device:
        return f"{device[1]}_{name[device.end(1) :]}"  # Windows reads no further than a dot
    return f"{name}_" if name.casefold() in _OURS else name


def distinct(names: Iterable[str], taken: Iterable[str] = ()) -> Iterator[str]:
    """The names in order, a repeated one numbered: 'Blues', 'Blues (2)'.  Case does not count."""
    known = {name.casefold() for name in taken}
    for name in names:
        count, free = 1, name
        while free.casefold() in known:
            count += 1
            free = f"{name} ({count})"
        known.add(free.casefold())
        yield free


@dataclass(frozen=True, slots=True)
class TakenFolder:
    """A folder that a pack has already, and the title of the drill in it."""

    folder: str
    title: str

    def holds(self, name: str) -> bool:
        """Whether it is the place of the drill that is called `name`, whatever its number."""
        folder, wanted, own = self.folder.casefold(), name.casefold(), safe(self.title).casefold()
        of_its_title = wanted.startswith(own) and _COUNTED.fullmatch(wanted[len(own) :])
        return bool(of_its_title) and wanted in (folder, folder.removeprefix(f"{self.digits} "))

    @property
    def digits(self) -> str:
        """The lesson's number before its name; "" where it has none."""
        found = _NUMBERED.fullmatch(self.folder)
        is_own = found and self.folder.casefold().startswith(safe(self.title).casefold())
        return found[1] if found and not is_own else ""


@dataclass(frozen=True, slots=True)
class Folders:
    """Where the drills of a lesson go, and which of a pack's folders they take the place of."""

    names: tuple[str, ...]
    replaced: frozenset[str]


def lesson_folders(titles: Sequence[str], places: Collection[TakenFolder] = ()) -> Folders:
    """A folder for each drill, in a pack that may have some already.

    The drills of a lesson are numbered in its order, from 1; a single drill is not.  A drill that
    the pack has already is replaced: a single one where it is, a lesson's under its new number.
    Other drills stay where they are, whatever their number.
    """
    names = tuple(distinct(map(safe, titles)))
    same = [place for place in places if any(place.holds(name) for name in names)]
    taken = [place.folder for place in places if place not in same]
    folders = _single(names[0], same) if len(names) == 1 else _numbered(names)
    return Folders(tuple(distinct(folders, taken)), frozenset(place.folder for place in same))


def _single(name: str, same: Sequence[TakenFolder]) -> tuple[str, ...]:
    return (same[0].folder if same else name,)


def _numbered(names: Sequence[str]) -> tuple[str, ...]:
    """'01 Thirds': as many digits as the last number needs, two at least, so that names sort."""
    width = max(2, len(str(len(names))))
    return tuple(f"{number:0{width}} {name}" for number, name in enumerate(names, 1))


def keys_label(keys: tuple[Key, ...]) -> str:
    """'Bb', or '6 keys from C'."""
    return keys[0].short if len(keys) == 1 else f"{len(keys)} keys from {keys[0].short}"


def track_name(drill_name: str, chart: Chart) -> str:
    """'<drill> - <key or cycle> - <tempo>', the file name without its ending; of bars that are
    taken out '<drill> - C, bars 5-6 - <tempo>'."""
    bars = chart.drill.bars
    keys = (key_of_bars(chart.drill, bars),) if bars else chart.keys
    taken = f", bars {bars}" if bars else ""
    return f"{drill_name} - {keys_label(keys)}{taken} - {chart.tempo}"


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


@dataclass(frozen=True, slots=True)
class PlayedTrack:
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
