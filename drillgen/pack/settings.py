"""What is asked of a build, apart from what the drills say."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from drillgen.audio.formats import format_named
from drillgen.errors import DrillgenError
from drillgen.pack.mixes import mix_name
from drillgen.pack.naming import Planned
from drillgen.sound.soundfonts import Soundfont
from drillgen.theory.other_names import nearest

TARGET_LUFS = -16.0  # AES TD1008: music by itself
CEILING_DBTP = -1.0
# As `sound.room` has them, which is not imported only to look at a name.
ROOMS = ("off", "small", "medium", "large")
_SHORTEST, _LONGEST = 0.1, 3.0  # seconds in which a room dies away
_LOUDNESS, _CEILING = (-40, -5), (-20, 0)  # from and to


class SettingError(DrillgenError):
    """Something is asked for that there is not."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What every track's sound and files follow from."""

    room: str | float = "small"  # one of `ROOMS`, or the seconds in which it dies away
    lufs: float = TARGET_LUFS
    ceiling: float = CEILING_DBTP  # dBTP
    formats: tuple[str, ...] = ("wav",)  # names of `FORMATS`; the first is the main one
    mixes: tuple[str, ...] = ()  # names of `pack.mixes.NAMES`
    stems: bool = False
    loops: bool = False  # each key by itself, going round without a seam
    reference: bool = False  # played by FluidSynth itself, not from the note bank

    def checked(self) -> Settings:
        """The same with every name as it is known here.  Raises DrillgenError for what is not."""
        if self.loops and self.reference:
            raise SettingError("--reference plays through from the start: it has no --loops")
        _within("--loudness", self.lufs, *_LOUDNESS)
        _within("--ceiling", self.ceiling, *_CEILING)
        return replace(
            self,
            room=_room(self.room),
            formats=_formats(self.formats) or ("wav",),
            mixes=tuple(dict.fromkeys(map(mix_name, self.mixes))),
        )


@dataclass(frozen=True, slots=True)
class Extras:
    """What is made besides the tracks."""

    sheets: bool = True
    page: bool = True
    alone: bool = False  # the page also in one file that can travel alone
    zip: bool = False

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
    settings: Settings
    soundfont: Soundfont
    sha256: str  # of the soundfont's file


def _within(option: str, value: float, low: float, high: float) -> None:
    """Raises SettingError for what is not from `low` to `high`; what is no number is nowhere."""
    if not low <= value <= high:
        raise SettingError(f"{option} {value:g}: allowed: {low} to {high}")


def _formats(names: Iterable[str]) -> tuple[str, ...]:
    """As they are known here, each once."""
    return tuple(dict.fromkeys(format_named(name).name for name in names))


def _room(given: str | float) -> str | float:
    if given in ROOMS:
        return given
    try:
        seconds = float(given)
    except ValueError:
        seconds = 0.0
    if _SHORTEST <= seconds <= _LONGEST:
        return seconds
    close = nearest(str(given), ROOMS)
    hint = f"; did you mean {close}?" if close else ""
    raise SettingError(
        f"no room is called {str(given)!r}: there are {', '.join(ROOMS)}, or the seconds in which"
        f" one dies away, {_SHORTEST:g} to {_LONGEST:g}{hint}"
    )
