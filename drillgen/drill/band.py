"""The band as a person writes it, the feel that it plays in, and the room that it leaves."""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import Field, ValidationInfo, model_validator

from drillgen.disk import cache_dir, whole_file
from drillgen.drill.bars import METERS
from drillgen.drill.fields import (
    OFF,
    RANGE,
    WORD,
    WORD_OR_OFF,
    Model,
    Range,
    Short,
    is_off,
    known,
    number,
    whole,
    within,
)
from drillgen.drill.messages import listed, refuse, show, under
from drillgen.errors import FeelError

# Feels by name, and what of a feel's file the language needs to know. A feel is a file in
# `band/feels/`, so that adding one is adding a file; nothing that plays them is imported here.

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
    """All that a feel's file says.  It is read once for whoever asks, and must not be changed.
    Raises FeelError."""
    return _read(FEELS_FOLDER / f"{_stem(feel)}.yaml")


def feel_place(feel: str, path: Sequence[str | int]) -> str:
    """Where something stands in a feel's file, for a message: 'swing.yaml:41:13'; of a key in a
    mapping that names a sound or a pattern, the key's own place."""
    file = FEELS_FOLDER / f"{_stem(feel)}.yaml"
    from ruamel.yaml import YAML

    node, mark = YAML(pure=True).compose(file.read_text("utf-8")), None
    for step in path:
        if isinstance(step, int):
            node = node.value[step]
            mark = node.start_mark
        else:
            key, node = next(pair for pair in node.value if pair[0].value == step)
            mark = node.start_mark if step in ("sound", "kit") else key.start_mark
    return f"{file.name}:{mark.line + 1}:{mark.column + 1}" if mark else file.name


def check_feel(name: object) -> str:
    """The feel's own name.  Raises RefusedError where it is unknown."""
    feel = ALIASES.get(name, name) if isinstance(name, str) else name
    return known(feel, "feel", playable_feels(), *ALIASES)


def _stem(name: str) -> str:
    return re.sub(r"[ /]", "-", name)


# What stands in a feel's file: what none can do without, and what may be left out.
_NEEDED = ("swing", "basses", "meters")
_OPTIONAL = ("sides", "ritardando", "balance", "weight")


@cache
def _read(path: Path) -> Mapping[str, Any]:
    """Raises FeelError: the file is no YAML, lacks what is needed, or has what means nothing."""
    found: Mapping[str, Any] = _content(path)
    keys = found.keys() if isinstance(found, Mapping) else set()
    if missing := [key for key in _NEEDED if key not in keys]:
        raise FeelError(f"{path.name} has no {listed(missing)}, which every feel needs.")
    if unknown := [key for key in keys if key not in (*_NEEDED, *_OPTIONAL)]:
        allowed = listed([*_NEEDED, *_OPTIONAL])
        raise FeelError(f"{path.name}: {listed(unknown)} means nothing; a feel has {allowed}.")
    for meter in found["meters"] if isinstance(found["meters"], Mapping) else ["none"]:
        if meter not in METERS:
            raise FeelError(f"{path.name}: {show(meter)} is no meter; allowed: {listed(METERS)}.")
    return found


def _content(path: Path) -> Any:
    """What a feel's file says.  A table of patterns takes a twentieth of a second to be read as
    YAML, so that what was read lies in the cache as JSON, by the file's content."""
    text = path.read_bytes()
    kept = cache_dir() / "feels" / f"{hashlib.sha256(text).hexdigest()}.json"
    with contextlib.suppress(OSError, ValueError, TypeError):
        return _unpacked(json.loads(kept.read_bytes()))
    found = _parsed(path.name, text)
    with contextlib.suppress(OSError, TypeError, ValueError):
        content = json.dumps(_packed(found), ensure_ascii=False).encode()
        kept.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(kept) as file:
            file.write(content)
    return found


def _parsed(name: str, text: bytes) -> Any:
    """Raises FeelError: it is no YAML."""
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    try:
        return YAML(typ="safe", pure=True).load(text.decode("utf-8"))
    except YAMLError as error:
        raise FeelError(f"{name} is not readable as YAML: {error}") from error


def _packed(value: Any) -> Any:
    """For JSON, whose keys are text alone: a mapping as a list of its pairs."""
    if isinstance(value, Mapping):
        return {"pairs": [[key, _packed(each)] for key, each in value.items()]}
    return [_packed(each) for each in value] if isinstance(value, list) else value


def _unpacked(value: Any) -> Any:
    """Raises ValueError where it was not made by `_packed`."""
    if isinstance(value, dict):
        if [*value] != ["pairs"] or not isinstance(value["pairs"], list):
            raise ValueError("no feel")
        return {key: _unpacked(each) for key, each in value["pairs"]}
    return [_unpacked(each) for each in value] if isinstance(value, list) else value


# The band: for each player a name, a mapping with more, or off.

DrumKind = Literal["sticks", "brushes", "off"]
CompingKind = Literal["piano", "electric piano", "guitar", "rhythm guitar", "vibraphone", "off"]
BassKind = Literal["off", "roots", "two-beat", "walking"]
ClickKind = Literal["off", "beats", "two and four"]
SpokenKind = Literal["off", "keys", "turns", "keys and turns"]


class PartSpec(Model):
    """One player of the band."""

    kind: str = "off"
    """What plays, or off."""
    level: Annotated[float, number(-40, 12, "dB")] = 0.0
    """Louder or softer than usual, in dB."""
    pan: Annotated[float | None, number(-1, 1)] = None
    """From -1 (left) to 1 (right); by default where the player usually sits."""
    density: Annotated[float, number(0, 1)] = 0.5
    """How much is played, from 0 to 1."""
    compass: Annotated[Range | None, RANGE] = Field(default=None, alias="register")
    """Lowest and highest sounding pitch."""

    @property
    def plays(self) -> bool:
        return self.kind != "off"

    @property
    def register(self) -> tuple[int, int] | None:
        """Lowest and highest sounding MIDI key, where they were written."""
        return self.compass.midi if self.compass else None


class Drums(PartSpec):
    """The drums."""

    kind: Annotated[DrumKind, WORD_OR_OFF] = "sticks"


class Comping(PartSpec):
    """The player of the chords."""

    kind: Annotated[CompingKind, WORD_OR_OFF] = "piano"


class Bass(PartSpec):
    """The bass of the band; off where the student is the bass player."""

    kind: Annotated[BassKind, WORD_OR_OFF] = "off"


class Click(PartSpec):
    """A metronome beside the band."""

    kind: Annotated[ClickKind, WORD_OR_OFF] = "off"


class SpokenCues(PartSpec):
    """A voice that says which key comes next and whose turn it is."""

    kind: Annotated[SpokenKind, WORD_OR_OFF] = "off"


def _long(value: Any) -> Any:
    """`sticks` is short for `{kind: sticks}`."""
    return value if isinstance(value, dict | PartSpec) else {"kind": value}


def _long_with_kind(value: Any) -> Any:
    """The same for a player who is off unless asked for: options alone would change nothing."""
    if isinstance(value, dict) and "kind" not in value:
        raise refuse('"kind" is missing: who is to play', "{kind: …, level: …}")
    return _long(value)


def _short(kind: Any, *, asked: bool = False) -> Short:
    words = dict.fromkeys((*get_args(kind), *OFF))
    required = ("kind",) if asked else ()
    return Short(_long_with_kind if asked else _long, ({"enum": [*words]},), required)


class Band(Model):
    """Who plays with the student."""

    drums: Annotated[Drums, _short(DrumKind)] = Drums()
    """What keeps time."""
    comping: Annotated[Comping, _short(CompingKind)] = Comping()
    """What plays the chords."""
    bass: Annotated[Bass, _short(BassKind, asked=True)] = Bass()
    """A bass line in the band."""
    click: Annotated[Click, _short(ClickKind, asked=True)] = Click()
    """A metronome."""
    spoken: Annotated[SpokenCues, _short(SpokenKind, asked=True)] = SpokenCues()
    """A voice that announces keys and turns."""


PLAYERS = tuple(Band.model_fields)


def _whole_band(value: Any) -> Any:
    """`band: off` leaves everybody out."""
    if is_off(value):
        return dict.fromkeys(PLAYERS, "off")
    if not isinstance(value, dict | Band):
        raise refuse(f"{show(value)} is no band", "{drums: …, comping: …, bass: …, click: …}, off")
    return value


BAND = Short(_whole_band, ({"enum": [*OFF]},))


def in_feel(band: Band, info: ValidationInfo) -> Band:
    """A band whose bass plays what the feel (where it could be read) has."""
    feel, asked = info.data.get("feel"), band.bass.kind
    if feel and band.bass.plays and asked not in basses(feel):
        with under("bass"):
            raise refuse(f"{feel} has no {asked} bass", listed((*basses(feel), "off")))
    return band


# The room that a drill leaves for the student: gaps to answer in, and drop-outs of the band.


class Gaps(Model):
    """Call and response."""

    call: Annotated[int, whole(1, 64, "bars")] = 4
    """Bars in which the line is played."""
    response: Annotated[int, whole(1, 64, "bars")] = Field(
        default_factory=lambda data: data.get("call", 4)
    )
    """Bars left free to answer in; by default as many as the call's."""
    harmony: Annotated[Literal["repeats", "continues"], WORD] = "repeats"
    """The response plays the same bars again, or call and response trade through the form."""
    band: Annotated[Literal["plays", "time", "silent"], WORD] = "plays"
    """What the band does in a response: play, keep time only, or be silent."""
    level: Annotated[float, number(-40, 0, "dB")] = 0.0
    """How much softer the band plays in a response, in dB."""


class DropOuts(Model):
    """Bars in which the band is silent while time goes on."""

    every: Annotated[int, whole(2, 64, "bars")] = 8
    """How many bars are counted, from the first after the count-in, over and over."""
    bars: Annotated[int, whole(1, 63, "bars")] = 2
    """How many of them, the last ones, the band leaves empty."""

    @model_validator(mode="after")
    def _some_are_played(self) -> DropOuts:
        if self.bars >= self.every:
            raise refuse(
                f"{self.bars} of every {self.every} bars leaves none to play",
                f"bars: 1 to {self.every - 1}",
            )
        return self


def short(key: str) -> Any:
    """A plain value is short for a mapping with this one key."""

    def expand(value: Any) -> Any:
        return value if isinstance(value, dict | Model) else {key: value}

    return expand


def _or_none(key: str, least: int, allowed: str) -> Any:
    """The same for a number of bars; off leaves it out."""

    def expand(value: Any) -> Any:
        if is_off(value):
            return None
        if isinstance(value, dict | Model):
            return value
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise refuse(f"{show(value)} does not fit here", allowed)
        return {key: within(value, least, _MOST, allowed)}

    return expand


_MOST = 64  # bars
_OFF = {"enum": [*OFF]}
GAPS = Short(
    _or_none("call", 1, f"1 to {_MOST} bars, none, or a mapping: {{call: 4, response: 4}}"),
    (whole(1, _MOST).schema, _OFF),
)
DROP_OUTS = Short(
    _or_none("every", 3, f"every 3 to {_MOST} bars, none, or a mapping: {{every: 8, bars: 2}}"),
    (whole(3, _MOST).schema, _OFF),
)
