"""What is recorded of a track: mixes of its parts, and loops of its keys."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import PurePosixPath
from typing import get_args

from drillgen.chart import Bar, Chart
from drillgen.errors import DrillgenError
from drillgen.pack.naming import distinct
from drillgen.score import PartName
from drillgen.theory.keys import Key
from drillgen.theory.other_names import nearest

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


class MixError(DrillgenError):
    """There is no such mix."""


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
    """The name of an extra mix as it is written here.  Raises MixError, which lists them."""
    plain = " ".join(name.lower().split())
    if plain in NAMES:
        return plain
    close = nearest(plain, NAMES)
    hint = f"; did you mean {close}?" if close else ""
    raise MixError(f"no mix is called {name!r}: there are {', '.join(NAMES)}{hint}")


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
