"""Which parts are heard together: the mixes of a track, and the names of those to be had."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import get_args

from drillgen.errors import DrillgenError
from drillgen.score import PartName
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
