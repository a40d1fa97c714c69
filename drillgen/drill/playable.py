"""Feels and kinds of line by name, and what of a feel's file the language needs to know.

A feel is a file in `band/feels/`, so that adding one is adding a file.  Nothing of the rooms that
play them is imported here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from drillgen.drill.messages import listed, nearest, refuse, show

FEELS_FOLDER = Path(__file__).parent.parent / "band" / "feels"

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


def playable_feels() -> tuple[str, ...]:
    """Every feel that has a file, by name: the language's own, then others."""
    stems = {path.stem for path in FEELS_FOLDER.glob("*.yaml")}
    own = tuple(name for name in FEELS if _stem(name) in stems)
    others = sorted(stems - {_stem(name) for name in own})
    return own + tuple(stem.replace("-", " ") for stem in others)


def meters(feel: str) -> tuple[str, ...]:
    """The meters that a feel is played in, the first its usual one."""
    return tuple(feel_file(feel)["meters"])


def basses(feel: str) -> tuple[str, ...]:
    """What the band's bass can be asked for in a feel."""
    return tuple(feel_file(feel)["basses"])


def feel_file(feel: str) -> Mapping[str, Any]:
    """All that a feel's file says.  It is read once for whoever asks, and must not be changed."""
    return _read(FEELS_FOLDER / f"{_stem(feel)}.yaml")


def check_feel(name: object) -> str:
    """The feel's own name.  Raises RefusedError where it is unknown."""
    feel = ALIASES.get(name, name) if isinstance(name, str) else name
    return _check("feel", feel, playable_feels(), tuple(ALIASES))


def check_kind(name: object) -> str:
    """The kind of line.  Raises RefusedError where it is unknown."""
    return _check("kind of line", name, KINDS, ("off",))


def _check(what: str, name: object, known: Iterable[str], besides: tuple[str, ...]) -> str:
    """`besides` is what else may stand there; whoever asks has read it already."""
    if not isinstance(name, str) or name not in known:
        allowed = (*known, *besides)
        raise refuse(f"{show(name)} is no {what}", listed(allowed), nearest(name, allowed))
    return name


def _stem(name: str) -> str:
    return re.sub(r"[ /]", "-", name)


@cache
def _read(path: Path) -> Mapping[str, Any]:
    found: Mapping[str, Any] = YAML(typ="safe", pure=True).load(path.read_text("utf-8"))
    return found
