"""What is asked of a build: settings, mixes, and the names of what is made.

A plan is made without writing a note, so that a build which has nothing to do knows it at once.

Names are readable on a phone, allowed on every system, and in the lesson's order.  What the
strictest systems refuse (Windows, FAT on a phone's card) is left out everywhere, so that a pack is
the same on each and in a zip.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, get_args

from drillgen.audio.formats import FORMATS, format_named
from drillgen.chart import Bar, Chart
from drillgen.drill.bars import Tempo
from drillgen.drill.messages import RefusedError, plain, refuse
from drillgen.drill.models import Drill, key_of_bars, seconds
from drillgen.drill.sheet import CEILING, LOUDNESS, Audio
from drillgen.errors import DrillgenError
from drillgen.pack.inside import RESERVED
from drillgen.pack.manifest import NAME as MANIFEST
from drillgen.pack.manifest import ManifestEntry
from drillgen.page import ALONE, FOLDER, INDEX, WORKER
from drillgen.score import PartName
from drillgen.sound.soundfonts import Soundfont
from drillgen.theory.other_names import perhaps
from drillgen.theory.pitch import Key

if TYPE_CHECKING:
    from drillgen.performance import Performance
    from drillgen.score import Score


# What a pack has of its own beside the drills' folders, with the page's files.
NOTES, BOOKLET = "NOTES.txt", "booklet.pdf"
# A playlist's file for each role of a track's files: what to hear, then what to play over.
PLAYLISTS = {"with line": "Listen.m3u8", "play-along": "Play along.m3u8"}

_FORBIDDEN = re.compile(r'[<>:"/\\|?*]+')  # by Windows
_OURS = frozenset(
    name.casefold()
    for name in (MANIFEST, NOTES, BOOKLET, INDEX, ALONE, WORKER, FOLDER, *PLAYLISTS.values())
)
_A_BOOKLET = re.compile(r"booklet for .+\.pdf", re.IGNORECASE)  # for one more reader
_LONGEST_TITLE = 80  # bytes of a title in UTF-8: it stands twice in a path, and a name may have 255
_COUNTED = re.compile(r"( \(\d+\))?")  # behind a repeated name
_NUMBERED = re.compile(r"(\d{2,}) (.+)")


def safe(title: str) -> str:
    """A title as a file name: forbidden signs become spaces, dots and spaces at its ends go."""
    words = re.sub(r"\s+", " ", _FORBIDDEN.sub(" ", plain(title))).strip(" .")
    name = words.encode()[:_LONGEST_TITLE].decode(errors="ignore").strip(" .") or "drill"
    device = RESERVED.fullmatch(name)
    if device:
        return f"{device[1]}_{name[device.end(1) :]}"  # Windows reads no further than a dot
    ours = name.casefold() in _OURS or _A_BOOKLET.fullmatch(name)
    return f"{name}_" if ours else name


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
    places: Mapping[str, str]  # where each drill that was there goes: "01 Thirds" to "03 Thirds"


def lesson_folders(titles: Sequence[str], places: Collection[TakenFolder] = ()) -> Folders:
    """A folder for each drill, in a pack that may have some already.

    The drills of a lesson are numbered in its order, from 1; a single drill is not.  A drill that
    the pack has already is replaced: a single one where it is, a lesson's under its new number.
    Other drills stay where they are, whatever their number.
    """
    names = tuple(distinct(map(safe, titles)))
    held = [(place, name) for name in names for place in places if place.holds(name)]
    same = [place for place in places if any(place == each for each, _ in held)]
    taken = [place.folder for place in places if place not in same]
    folders = _single(names[0], same) if len(names) == 1 else _numbered(names)
    now = dict(zip(names, distinct(folders, taken), strict=True))
    return Folders(tuple(now.values()), {place.folder: now[name] for place, name in held})


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


PARTS: tuple[PartName, ...] = get_args(PartName)
# By name, the parts that are left out of everything that the track has.
EXTRA: dict[str, frozenset[PartName]] = {
    **{f"without {part}": frozenset({part}) for part in PARTS if part != "line"},
    **{f"{part} alone": frozenset(PARTS) - {part} for part in PARTS},
}
# The band on the left, the line on the right: a student turns one of them down.
SPLIT = "left and right"
NAMES = (*EXTRA, SPLIT)
_LINE = frozenset[PartName]({"line"})


@dataclass(frozen=True, slots=True)
class Mix:
    """Some parts together, as one file."""

    role: str
    parts: frozenset[PartName]
    ending: str  # of the file's name, before its suffix
    kind: str = ""  # "mixes" or "stems", under which the manifest lists it
    measured: bool = True  # whether the track's loudness is set by it
    split: bool = False  # the line on one side, the band on the other

    def path(self, folder: str, name: str) -> PurePosixPath:
        """The file in the pack, as a WAV."""
        inside = PurePosixPath(folder) / ("stems" if self.kind == "stems" else "")
        return inside / f"{name}{self.ending}.wav"


def mix_name(name: str) -> str:
    """The name of an extra mix as it is written here.  Raises DrillgenError, which lists them."""
    plain = " ".join(name.lower().split())
    if plain in NAMES:
        return plain
    hint = perhaps(plain.replace("no ", "without ", 1), NAMES)
    raise DrillgenError(f"no mix is called {name!r}: there are {', '.join(NAMES)}{hint}")


def mixes(parts: Sequence[PartName], extra: Sequence[str], stems: bool) -> Iterator[Mix]:
    """The mixes of a track with these parts.

    An extra mix that would be empty, or is there already under another name, is left out.
    """
    everyone = frozenset(parts)
    yield Mix("play-along", everyone - _LINE, "")
    if "line" in parts:
        yield Mix("with line", everyone, " with line")
    yield from _extra(everyone, extra)
    if stems:
        for part in parts:
            yield Mix(part, frozenset({part}), f" - {part}", "stems", measured=False)


def left_out(parts: Sequence[PartName], names: Sequence[str]) -> Iterator[str]:
    """Why some of the extra mixes are not made of a track with these parts, a sentence each."""
    made = {mix.role for mix in mixes(parts, names, stems=False)}
    for name in names:
        lacking = "line" if name == SPLIT else next(part for part in PARTS if part in name.split())
        if lacking not in parts:
            yield f"No mix '{name}' where there is no {lacking}."
        elif frozenset(parts) <= EXTRA.get(name, frozenset()):
            yield f"No mix '{name}' where nobody else plays."
        elif name not in made:
            yield f"No mix '{name}' where another one is the same."


def _extra(everyone: frozenset[PartName], names: Sequence[str]) -> Iterator[Mix]:
    made = {everyone, everyone - _LINE}
    for name in names:
        some = everyone - EXTRA.get(name, frozenset())
        sided = name == SPLIT and "line" in everyone
        if sided or (some and some not in made):
            made.add(some)
            yield Mix(name, some, f" {name}", "mixes", measured=False, split=sided)


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

    def path(self, folder: str, name: str, mix: Mix) -> PurePosixPath:
        """The file in the pack, as a WAV."""
        return PurePosixPath(folder) / "loops" / f"{name} - {self.label} loop{mix.ending}.wav"


JUMPS = (
    "No loop of a key in which the tempo climbs: it would jump back where the loop begins again."
)


def climbs(chart: Chart) -> bool:
    """Whether the tempo changes within a key of a track."""
    return any(map(_climbs, _keys(chart)))


def loops(chart: Chart) -> Iterator[Loop]:
    """A loop for each key of a track in which the tempo stays, in order."""
    keys = _keys(chart)
    labels = distinct(bars[0].key.short for bars in keys)
    for bars, label in zip(keys, labels, strict=True):
        if not _climbs(bars):
            start, end = chart.seconds_at(bars[0].start), chart.seconds_at(bars[-1].end)
            yield Loop(bars[0].key, label, start, end)


def _climbs(bars: Sequence[Bar]) -> bool:
    return len({bar.tempo for bar in bars}) > 1


def _keys(chart: Chart) -> list[list[Bar]]:
    """The bars of each key, count-in, tag and ending left out."""
    played = [bar for bar in chart.bars if bar.form_bar >= 0 and not (bar.tag or bar.change)]
    return [list(bars) for _, bars in groupby(played, key=lambda bar: bar.key_number)]


TARGET_LUFS = -16.0  # AES TD1008: music by itself
CEILING_DBTP = -1.0
# As `sound.reverb` has them, which is not imported only to look at a name.
ROOMS = ("off", "small", "medium", "large")
_SHORTEST, _LONGEST = 0.1, 3.0  # seconds in which a room dies away


class SettingError(DrillgenError):
    """Something is asked for that there is not."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What every track's sound and files follow from; what is None or empty, a drill may say."""

    room: str | float = "small"  # one of `ROOMS`, or the seconds in which it dies away
    lufs: float | None = None
    ceiling: float | None = None  # dBTP
    formats: tuple[str, ...] = ()  # names of `FORMATS`; the first is the main one
    mixes: tuple[str, ...] = ()  # of `NAMES`
    stems: bool = False
    loops: bool = False  # each key by itself, going round without a seam
    reference: bool = False  # played by FluidSynth itself, not from the note bank

    def checked(self) -> Settings:
        """The same with every name as it is known here.  Raises DrillgenError for what is not."""
        if self.loops and self.reference:
            raise SettingError("--reference plays through from the start: it has no --loops")
        if self.lufs is not None:
            _within("--loudness", self.lufs, *LOUDNESS)
        if self.ceiling is not None:
            _within("--ceiling", self.ceiling, *CEILING)
        return replace(
            self,
            room=_room(self.room),
            formats=_formats(self.formats),
            mixes=_mixes(self.mixes),
        )

    def of(self, audio: Audio, before: tuple[str, ...]) -> TrackSettings:
        """Those of a drill's tracks: what is not asked for is as the drill has it, then the formats
        as they were `before`."""
        loudness = (self.lufs, audio.loudness, TARGET_LUFS)
        ceiling = (self.ceiling, audio.ceiling, CEILING_DBTP)
        return TrackSettings(
            room=self.room,
            lufs=next(each for each in loudness if each is not None),
            ceiling=next(each for each in ceiling if each is not None),
            formats=self.formats or _formats(audio.format) or before or ("wav",),
            mixes=self.mixes or _mixes(audio.mixes),
            stems=self.stems,
            loops=self.loops,
            reference=self.reference,
        )


@dataclass(frozen=True, slots=True)
class TrackSettings(Settings):
    """What one track's sound and files follow from: nothing is left open."""

    lufs: float = TARGET_LUFS
    ceiling: float = CEILING_DBTP


def refused_audio(audio: Audio) -> Iterator[tuple[str, RefusedError]]:
    """What there is not of a drill's `audio`, each with its key."""
    readers: dict[str, tuple[Callable[[str], object], tuple[str, ...]]]
    readers = {"format": (format_named, audio.format), "mixes": (mix_name, audio.mixes)}
    for key, (read, names) in readers.items():
        for name in names:
            try:
                read(name)
            except DrillgenError as error:
                yield key, refuse(str(error))


def formats_before(tracks: Iterable[ManifestEntry]) -> dict[str, tuple[str, ...]]:
    """By folder the formats in which earlier tracks were written, the main one first."""
    found: dict[str, tuple[str, ...]] = {}
    by_ending = {row.suffix: row.name for row in FORMATS.values()}
    for entry in tracks:
        files = entry["files"]
        main = by_ending.get(PurePosixPath(str(files.get("play-along", ""))).suffix)
        if main and entry.get("folder"):
            found[entry["folder"]] = (main, *(name for name in files if name in FORMATS))
    return found


def formats_of(names: Collection[str]) -> tuple[str, ...]:
    """The formats of some audio files, by their names; the main one can only be guessed."""
    return tuple(row.name for row in FORMATS.values() if any(n.endswith(row.suffix) for n in names))


@dataclass(frozen=True, slots=True)
class Extras:
    """What is made, the tracks and besides."""

    sheets: bool = True
    page: bool = True
    alone: bool = False  # the page also in one file that can travel alone
    zip: bool = False
    sound: bool = True  # the tracks themselves

    def __post_init__(self) -> None:
        if self.alone and not self.page:
            raise SettingError("--single-file is the page as one file: leave out --no-page")


@dataclass(frozen=True, slots=True)
class Options:
    """How to build."""

    soundfont: str | None = None  # a name or a path; None: the best one found
    settings: Settings = field(default_factory=Settings)
    extras: Extras = field(default_factory=Extras)
    jobs: int | None = None  # None: all cores
    cluster: str | None = None  # a Dask scheduler's address; None: this machine


@dataclass(frozen=True, slots=True)
class TrackJob:
    """A track to be recorded."""

    planned: Planned
    album: str
    settings: TrackSettings
    soundfont: Soundfont
    sha256: str  # of the soundfont's file


def _within(option: str, value: float, low: float, high: float) -> None:
    """Raises SettingError for what is not from `low` to `high`; what is no number is nowhere."""
    if not low <= value <= high:
        raise SettingError(f"{option} {value:g}: allowed: {low} to {high}")


def _formats(names: Iterable[str]) -> tuple[str, ...]:
    """As they are known here, each once."""
    return tuple(dict.fromkeys(format_named(name).name for name in names))


def _mixes(names: Iterable[str]) -> tuple[str, ...]:
    """Likewise."""
    return tuple(dict.fromkeys(map(mix_name, names)))


def _room(given: str | float) -> str | float:
    if given in ROOMS:
        return given
    try:
        seconds = float(given)
    except ValueError:
        seconds = 0.0
    if _SHORTEST <= seconds <= _LONGEST:
        return seconds
    raise SettingError(
        f"no room is called {str(given)!r}: there are {', '.join(ROOMS)}, or the seconds in which"
        f" one dies away, {_SHORTEST:g} to {_LONGEST:g}{perhaps(str(given), ROOMS)}"
    )
