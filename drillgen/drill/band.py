"""The band as a person writes it: a player's name, a mapping with more, or off."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, ValidationInfo

from drillgen.drill import playable
from drillgen.drill.base import Model
from drillgen.drill.fields import OFF, RANGE, Range, Short, choice, is_off, number
from drillgen.drill.problems import Wrongs, listed, refuse, show

DRUMS = ("sticks", "brushes", "off")
COMPING = ("piano", "electric piano", "guitar", "rhythm guitar", "vibraphone", "off")
BASS = ("off", "roots", "two-beat", "walking")
CLICK = ("off", "beats", "two and four")


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

    kind: Annotated[str, choice(*DRUMS, off=True)] = "sticks"


class Comping(PartSpec):
    """The player of the chords."""

    kind: Annotated[str, choice(*COMPING, off=True)] = "piano"


class Bass(PartSpec):
    """The bass of the band; off where the student is the bass player."""

    kind: Annotated[str, choice(*BASS, off=True)] = "off"


class Click(PartSpec):
    """A metronome beside the band."""

    kind: Annotated[str, choice(*CLICK, off=True)] = "off"


def _long(value: Any) -> Any:
    """`sticks` is short for `{kind: sticks}`."""
    return value if isinstance(value, dict | PartSpec) else {"kind": value}


def _long_with_kind(value: Any) -> Any:
    """The same for a player who is off unless asked for: options alone would change nothing."""
    if isinstance(value, dict) and "kind" not in value:
        raise refuse('"kind" is missing: who is to play', "{kind: …, level: …}")
    return _long(value)


def _short(*kinds: str, asked: bool = False) -> Short:
    extra = [word for word in OFF if word not in kinds]
    return Short(
        _long_with_kind if asked else _long,
        ({"enum": [*kinds, *extra]},),
        required=("kind",) if asked else (),
    )


class Band(Model):
    """Who plays with the student."""

    drums: Annotated[Drums, _short(*DRUMS)] = Drums()
    """What keeps time."""
    comping: Annotated[Comping, _short(*COMPING)] = Comping()
    """What plays the chords."""
    bass: Annotated[Bass, _short(*BASS, asked=True)] = Bass()
    """A bass line in the band."""
    click: Annotated[Click, _short(*CLICK, asked=True)] = Click()
    """A metronome."""


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
    wrongs = Wrongs()
    if feel and band.bass.plays and asked not in (known := playable.basses(feel)):
        with wrongs.at("bass"):
            raise refuse(f"{feel} has no {asked} bass", listed((*known, "off")))
    wrongs.raise_any()
    return band
