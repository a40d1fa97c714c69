"""The kinds of line and their options, as a person writes them.

A kind's options stand here; how it is written out stands in the module of `lines/` by its name.
A new kind is a model below, its name in `playable.KINDS` and a place in `AnyLine`.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field

from drillgen.drill import playable
from drillgen.drill.base import Model
from drillgen.drill.fields import OFF, RANGE, YES_NO, Range, Read, Short, choice, is_off
from drillgen.drill.instruments import INSTRUMENTS
from drillgen.drill.problems import Wrongs, refuse, show

DEFAULT_KIND = "guide tones"
_HIGHEST_DEGREE = 13
_LONGEST_ORDER = 16


class Line(Model):
    """What every kind of line can be told."""

    kind: str
    instrument: Annotated[str, choice(*INSTRUMENTS)] = "upright"
    """What plays the line."""
    range: Annotated[Range | None, RANGE] = None
    """Lowest and highest sounding pitch; by default what lies well on the instrument."""

    @property
    def sounding_range(self) -> tuple[int, int]:
        """Lowest and highest sounding MIDI key."""
        if self.range is not None:
            return self.range.midi
        instrument = INSTRUMENTS[self.instrument]
        return instrument.low.midi, instrument.high.midi


COMMON = tuple(Line.model_fields)  # options that outlive a change of kind

_NEEDS_KIND = ConfigDict(json_schema_extra={"required": ["kind"]})


class GuideTones(Line):
    """Thirds and sevenths, moving by the smallest step."""

    kind: Literal["guide tones"] = "guide tones"
    begin_on: Annotated[int, choice(3, 7)] = 3
    """The tone of the first chord that the line begins on."""
    voices: Annotated[str, choice("one", "both")] = "one"
    """One voice, or the two together."""
    rhythm: Annotated[str, choice("chord", "half", "quarter")] = "chord"
    """A note for each chord, or repeated in halves (two beats) or quarters (a beat)."""


class Roots(Line):
    """The root of each chord, or the bass of a slash chord."""

    model_config = _NEEDS_KIND
    kind: Literal["roots"] = "roots"


def _read_order(value: Any) -> tuple[int, ...]:
    """Read 1357, '1 3 5 7', '5-1-3-7' or [1, 3, 5, 7]."""
    allowed = f"degrees from 1 to {_HIGHEST_DEGREE}: 1357, 5-1-3-7, 1 3 5 9"
    degrees = list(value) if isinstance(value, list | tuple) else _degrees(value)
    if not degrees:
        raise refuse(f"{show(value)} is no order", allowed)
    for index, degree in enumerate(degrees):
        if isinstance(degree, bool) or not isinstance(degree, int) or not (
            1 <= degree <= _HIGHEST_DEGREE
        ):
            raise refuse(f"{show(degree)} is no degree", allowed,
                         at=(index,) if isinstance(value, list | tuple) else ())
    if len(degrees) > _LONGEST_ORDER:
        raise refuse(f"the order has {len(degrees)} degrees", f"up to {_LONGEST_ORDER}")
    return tuple(degrees)


def _degrees(value: Any) -> list[int]:
    if isinstance(value, bool):
        return []
    text = str(value).strip()
    if re.fullmatch(r"[0-9]+", text):
        return [int(digit) for digit in text]
    if not re.fullmatch(r"[0-9]{1,2}([ ,-]+[0-9]{1,2})+", text):
        return []
    return [int(word) for word in re.findall(r"[0-9]+", text)]


ORDER = Read(
    _read_order,
    {
        "anyOf": [
            {"type": "integer", "minimum": 1},
            {"type": "string", "pattern": r"^\s*[0-9]+([ ,-]+[0-9]+)*\s*$"},
            {
                "type": "array",
                "items": {"type": "integer", "minimum": 1, "maximum": _HIGHEST_DEGREE},
                "minItems": 1,
                "maxItems": _LONGEST_ORDER,
            },
        ],
        "default": "1357",
        "examples": ["1357", "7531", "5-1-3-7"],
    },
)


class Arpeggio(Line):
    """The tones of each chord in a stated order."""

    model_config = _NEEDS_KIND
    kind: Literal["arpeggio"] = "arpeggio"
    order: Annotated[tuple[int, ...], ORDER] = (1, 3, 5, 7)
    """Degrees over each chord's root, in the order in which they are played."""
    direction: Annotated[str, choice("up", "down", "alternating")] = "up"
    """The order as written, backwards, or one chord each way."""
    note: Annotated[str, choice("quarter", "eighth", "triplet")] = "quarter"
    """The length of the notes: a beat, half a beat, or a third of one."""
    connect: Annotated[bool, YES_NO] = False
    """Begin each chord on the tone nearest to the last note."""


class Walking(Line):
    """A note a beat that outlines the chords and leads into each change."""

    model_config = _NEEDS_KIND
    kind: Literal["walking"] = "walking"
    beat_one: Annotated[str, choice("root", "chord tone")] = "root"
    """Where a chord begins: always its root, or another tone of it now and then."""
    approach: Annotated[str, choice("chromatic", "dominant", "mixed")] = "mixed"
    """How the last beat leads on: by a semitone, from the fifth above, or both."""
    two_beat: Annotated[bool, YES_NO] = False
    """Two notes a bar instead of four."""


AnyLine = Annotated[GuideTones | Roots | Arpeggio | Walking, Field(discriminator="kind")]


def _long(value: Any) -> Any:
    """`arpeggio` is short for `{kind: arpeggio}`; without a kind, guide tones are meant."""
    if isinstance(value, Line):
        return value
    options = value if isinstance(value, dict) else {"kind": value}
    kind = options.get("kind", DEFAULT_KIND)
    if is_off(kind):
        return None
    wrongs = Wrongs()
    with wrongs.at(*(["kind"] if isinstance(value, dict) else [])):
        playable.check_kind(kind)
    wrongs.raise_any()
    return {**options, "kind": kind}


_MODELS = (GuideTones, Roots, Arpeggio, Walking)
_KINDS = tuple(model.model_fields["kind"].default for model in _MODELS)
_SILENT = {"type": "object", "properties": {"kind": {"enum": [*OFF]}}, "required": ["kind"]}
LINE = Short(_long, ({"enum": [*_KINDS, *OFF]}, _SILENT))
