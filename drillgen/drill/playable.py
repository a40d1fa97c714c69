"""What the language knows, and what of it has a player.

A feel is played by a file in `band/feels/`, a kind of line by a module in `lines/`; both are found
by name, so that adding a player is adding a file.  Nothing of these rooms is imported here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from drillgen.drill.problems import listed, nearest, refuse, show

_PACKAGE = Path(__file__).parent.parent
FEELS_FOLDER = _PACKAGE / "band" / "feels"
LINES_FOLDER = _PACKAGE / "lines"

FEELS = (
    "swing",
    "two-feel",
    "ballad",
    "jazz waltz",
    "bossa nova",
    "samba",
    "shuffle",
    "straight eighths",
    "slow 12/8",
    "five-four swing",
)
ALIASES = {"bossa": "bossa nova"}
KINDS = (
    "guide tones",
    "roots",
    "arpeggio",
    "walking",
    "scale pattern",
    "enclosure",
    "riff",
    "phrases",
    "written",
)
_BASSES = re.compile(r"^basses: *\[(.*)\]", re.MULTILINE)
_METER = re.compile(r"^ +[\"']?(\d+/\d+)[\"']?:", re.MULTILINE)  # the keys under `meters:`


def _stem(name: str) -> str:
    return re.sub(r"[ /]", "-", name)


def known_feels() -> tuple[str, ...]:
    """Every feel by name: the language's own and any other that has a file."""
    own = {_stem(name) for name in FEELS}
    others = sorted(stem for stem in _feel_files() if stem not in own)
    return FEELS + tuple(stem.replace("-", " ") for stem in others)


def playable_feels() -> tuple[str, ...]:
    files = _feel_files()
    return tuple(name for name in known_feels() if _stem(name) in files)


def playable_kinds() -> tuple[str, ...]:
    return tuple(kind for kind in KINDS if (LINES_FOLDER / f"{_module(kind)}.py").is_file())


def meters(feel: str) -> tuple[str, ...]:
    """The meters that a playable feel is played in, the first its usual one."""
    return _meters(FEELS_FOLDER / f"{_stem(feel)}.yaml")


def basses(feel: str) -> tuple[str, ...]:
    """What the band's bass can be asked for in a playable feel."""
    return _basses(FEELS_FOLDER / f"{_stem(feel)}.yaml")


def check_feel(name: object) -> str:
    """The feel's own name.  Raises RefusedError where it is unknown or has no player."""
    feel = ALIASES.get(name, name) if isinstance(name, str) else name
    return _check("feel", feel, (*known_feels(), *ALIASES), playable_feels())


def check_kind(name: object) -> str:
    """The kind of line.  Raises RefusedError where it is unknown or has no player."""
    return _check("kind of line", name, KINDS, playable_kinds(), ("off",))


def _check(
    what: str,
    name: object,
    known: Iterable[str],
    playable: Iterable[str],
    besides: tuple[str, ...] = (),
) -> str:
    """`besides` is what else may stand there; whoever asks has read it already."""
    allowed = listed((*playable, *besides))
    if not isinstance(name, str) or name not in known:
        raise refuse(f"{show(name)} is no {what}", allowed, nearest(name, (*known, *besides)))
    if name not in playable:
        raise refuse(f"the {what} {show(name)} has no player yet", allowed)
    return name


def _feel_files() -> set[str]:
    return {path.stem for path in FEELS_FOLDER.glob("*.yaml")}


def _module(kind: str) -> str:
    return kind.replace(" ", "_")


@cache
def _meters(path: Path) -> tuple[str, ...]:
    return tuple(_METER.findall(path.read_text("utf-8"))) if path.is_file() else ()


@cache
def _basses(path: Path) -> tuple[str, ...]:
    found = _BASSES.search(path.read_text("utf-8")) if path.is_file() else None
    return tuple(re.findall(r"[\w-]+", found[1])) if found else ()
