"""Small readers of single values: each says what it reads, and tells an editor the same.

`Read` pairs the function that reads a value with the JSON Schema of what it accepts, so that the
two stand side by side.  The functions raise `RefusedError`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple, get_args

from pydantic import BaseModel, ConfigDict
from pydantic import GetCoreSchemaHandler as Handler
from pydantic import GetJsonSchemaHandler as JsonHandler
from pydantic_core import CoreSchema, core_schema

from drillgen.drill.messages import (
    FORBIDDEN,
    RefusedError,
    Wrong,
    listed,
    nearest,
    plain,
    refuse,
    show,
)
from drillgen.theory.other_names import note_elsewhere
from drillgen.theory.pitch import Pitch

# What all models of the drill share.


class Model(BaseModel):
    """A frozen value whose unknown keys are errors.

    What the text below a field says of it, `schema.py` reads for editors.  Pydantic could, but at
    every start, and so it would build what reads each model alone.
    """

    model_config = ConfigDict(
        extra="forbid", frozen=True, defer_build=True, arbitrary_types_allowed=True
    )


OFF = ("off", "none", "no", False)  # what may be written to leave something out


Schema = dict[str, Any]  # of JSON


@dataclass(frozen=True)
class Read:
    """Annotation of a field: read by `function`, described to editors by `schema`."""

    function: Callable[..., Any]
    schema: Schema

    def __get_pydantic_core_schema__(self, source: Any, handler: Handler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.function)

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: JsonHandler) -> Schema:
        return dict(self.schema)


@dataclass(frozen=True)
class ReadWith(Read):
    """The same for a function that also gets the fields read so far, by name."""

    def __get_pydantic_core_schema__(self, source: Any, handler: Handler) -> CoreSchema:
        return core_schema.with_info_plain_validator_function(
            lambda value, info: self.function(value, info.data)
        )


@dataclass(frozen=True)
class Short:
    """Annotation of a model: also written in a short form, which `expand` makes long."""

    expand: Callable[[Any], Any]
    forms: tuple[Schema, ...]
    required: tuple[str, ...] = ()  # keys that the long form must have

    def __get_pydantic_core_schema__(self, source: Any, handler: Handler) -> CoreSchema:
        return core_schema.no_info_before_validator_function(self.expand, handler(source))

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: JsonHandler) -> Schema:
        long = handler(core)
        if self.required:
            long = {"allOf": [long, {"required": [*self.required]}]}
        return {"anyOf": [*self.forms, long]}


def any_of(*forms: Schema, **more: Any) -> Schema:
    """The schema of what may be written in several forms; `default` and `examples` in `more`."""
    return {"anyOf": [*forms], **more}


def several(item: Schema, least: int = 1, most: int | None = None) -> Schema:
    """The schema of a list."""
    schema = {"type": "array", "items": item, "minItems": least}
    return schema if most is None else {**schema, "maxItems": most}


def mapping(properties: dict[str, Schema], *required: str) -> Schema:
    """The schema of a mapping that knows no other keys."""
    return {
        "type": "object",
        "additionalProperties": False,
        "properties": properties,
        "required": [*required],
    }


def matching(pattern: str, **more: Any) -> Schema:
    """The schema of a text that fits a pattern, spaces around it apart."""
    return {"type": "string", "pattern": rf"^\s*{pattern}\s*$", **more}


def is_off(value: Any) -> bool:
    """Whether this leaves something out: off, none, no or false; 0 is a number."""
    return value is False or (isinstance(value, str) and value in OFF)


def whole(low: int, high: int, unit: str = "") -> Read:
    """A whole number between two, both included."""
    allowed = f"{low} to {high} {unit}".rstrip()

    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int | float) or value % 1:
            raise refuse(f"{show(value)} is not a whole number", allowed)
        return int(within(value, low, high, allowed))

    return Read(read, {"type": "integer", "minimum": low, "maximum": high})


def number(low: float, high: float, unit: str = "") -> Read:
    """A number between two, both included."""
    allowed = f"{low:g} to {high:g} {unit}".rstrip()

    def read(value: Any) -> float:
        return float(within(_number(value, allowed), low, high, allowed))

    return Read(read, {"type": "number", "minimum": low, "maximum": high})


def _number(value: Any, allowed: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refuse(f"{show(value)} is not a number", allowed)
    return value


def within(value: float, low: float, high: float, allowed: str) -> float:
    """The value, if it lies between the two."""
    if not low <= value <= high:
        side = "below" if value < low else "above"
        raise refuse(f"{value} is {side} what is allowed", allowed)
    return value


def choice(*names: Any, off: bool = False) -> Read:
    """One of some names; where `off`, the other ways of writing it as well."""
    allowed = names if not off or "off" in names else (*names, "off")

    def read(value: Any) -> Any:
        if off and is_off(value):
            return "off"
        if isinstance(value, bool) or value not in names:
            close = nearest(value, map(str, names))
            raise refuse(f"{show(value)} is not known", listed(allowed), close)
        return names[names.index(value)]

    extra = [word for word in OFF if word not in names] if off else []
    return Read(read, {"enum": [*names, *extra]})


@dataclass(frozen=True)
class Word:
    """Annotation of a `Literal`: one of its words; where `off`, that in every way of writing it."""

    off: bool = False

    def __get_pydantic_core_schema__(self, source: Any, handler: Handler) -> CoreSchema:
        words = get_args(source)
        read = choice(*words, off=self.off).function
        literal = core_schema.literal_schema(list(words))
        return core_schema.no_info_before_validator_function(read, literal)

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: JsonHandler) -> Schema:
        return dict(choice(*handler(core)["enum"], off=self.off).schema)


WORD = Word()
WORD_OR_OFF = Word(off=True)


def known(name: Any, what: str, names: Iterable[str], *besides: str) -> str:
    """A name, if it is one of these; `besides` is what else may stand there, read by the caller."""
    if not isinstance(name, str) or name not in names:
        allowed = (*names, *besides)
        raise refuse(f"{show(name)} is no {what}", listed(allowed), nearest(name, allowed))
    return name


def _read_yes_no(value: Any) -> bool:
    known = {"yes": True, "on": True, "no": False, "off": False}
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and value in known:
        return known[value]
    raise refuse(f"{show(value)} is not known", "true, false", "")


YES_NO = Read(_read_yes_no, {"enum": [True, False, "yes", "no", "on", "off"]})


class Range(NamedTuple):
    """Two sounding pitches, both included."""

    low: Pitch
    high: Pitch

    @property
    def midi(self) -> tuple[int, int]:
        return self.low.midi, self.high.midi

    def __str__(self) -> str:
        return f"{self.low} to {self.high}"


_RANGE = "two sounding pitches at least an octave apart: E1 to G3"
_LOWEST, _HIGHEST = 21, 108  # A0 and C8: the piano's compass


def read_range(value: Any) -> Range:
    """Read 'E1 to G3' or [E1, G3]."""
    if isinstance(value, Range):
        return value
    words = value.split(" to ") if isinstance(value, str) else value
    if not isinstance(words, list | tuple) or len(words) != 2:
        raise refuse(f"{show(value)} is not a range", _RANGE)
    low, high = (_pitch(word) for word in words)
    if high.midi < low.midi:
        turned = f'"{high} to {low}"' if low.midi - high.midi >= 12 else ""
        raise refuse(f"{low} is above {high}: the low one stands first", _RANGE, turned)
    if high.midi - low.midi < 12:
        raise refuse(f"{low} to {high} is less than an octave", _RANGE)
    return Range(low, high)


def _pitch(word: Any) -> Pitch:
    try:
        pitch = Pitch.parse(str(word))
    except ValueError:
        foreign = note_elsewhere(str(word).strip())
        said = f": {foreign.said}" if foreign else ""
        raise refuse(f"{show(word)} is not a pitch{said}", _RANGE) from None
    if not _LOWEST <= pitch.midi <= _HIGHEST:
        raise refuse(f"{pitch} is beyond the piano's compass", "A0 to C8")
    return pitch


_PITCH_TEXT = "[A-G](##|bb|[#♯b♭x𝄪𝄫])?-?[0-9]"
RANGE = Read(
    read_range,
    any_of(
        matching(rf"{_PITCH_TEXT}\s* to \s*{_PITCH_TEXT}"),
        several(matching(_PITCH_TEXT), 2, 2),
        examples=["E1 to G3"],
    ),
)


# Texts that a person may write as they like: titles, notes, names of sections.


def text(longest: int, *, empty: bool = False) -> Read:
    """A text on one line (line breaks become spaces); numbers are taken as they look.

    Of signs that are not seen alone nobody could read anything: such a text is empty.
    """

    def read(value: Any) -> str:
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise refuse(f"{show(value)} is not a text", "a text")
        refuse_controls(str(value), "the text")
        words = " ".join(str(value).split())
        if not plain(words):
            if empty:
                return ""
            raise refuse("the text is empty", "a text")
        if len(words) > longest:
            raise refuse(f"the text has {len(words)} characters", f"up to {longest}")
        return words

    schema = {"type": ["string", "number"], "maxLength": longest}
    return Read(read, schema if empty else {**schema, "pattern": r"\S"})


def refuse_controls(text: str, what: str, *, key: bool = False) -> None:
    """Raises RefusedError at the first sign that no sheet and no terminal can show."""
    found = FORBIDDEN.search(text)
    if found:
        number = f"U+{ord(found[0]):04X}"
        wrong = Wrong(
            f"{what} has a control sign ({number})",
            "signs that can be printed",
            key=key,
            offset=found.start(),
        )
        raise RefusedError([wrong])


MAX_TITLE = 100  # characters; titles become names of files
TITLE = text(MAX_TITLE)
NOTE = text(1000, empty=True)
