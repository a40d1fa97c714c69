"""How the options of lines are read: degrees, scales for chords, beats, rhythms, growing sets."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Literal, get_args

from quicktions import Fraction

from drillgen.drill.bars import Meter
from drillgen.drill.fields import (
    YES_NO,
    Read,
    ReadWith,
    any_of,
    choice,
    known,
    mapping,
    matching,
    several,
    whole,
)
from drillgen.drill.melody import LENGTH, LENGTH_ALLOWED, length_of, read_set
from drillgen.drill.messages import (
    RefusedError,
    Wrong,
    Wrongs,
    nearest,
    read_each,
    refuse,
    refuse_keys,
    show,
    under,
)
from drillgen.theory.chord_types import Degrees, QualityError, SymbolError, read_quality
from drillgen.theory.chords import Chord, Numeral, is_numeral, parse_chord, parse_numeral
from drillgen.theory.pitch import Degree
from drillgen.theory.scales import SCALES

# An order of chord degrees: 1357, 5-1-3-7.

_HIGHEST_DEGREE = 13
_LONGEST_ORDER = 16


def _read_order(value: Any) -> tuple[int, ...]:
    """Read 1357, '1 3 5 7', '5-1-3-7' or [1, 3, 5, 7]."""
    allowed = f"degrees from 1 to {_HIGHEST_DEGREE}: 1357, 5-1-3-7, 1 3 5 9"
    degrees = list(value) if isinstance(value, list | tuple) else _degrees(value)
    if not degrees:
        raise refuse(f"{show(value)} is no order", allowed)
    for index, degree in enumerate(degrees):
        is_whole = isinstance(degree, int) and not isinstance(degree, bool)
        if not is_whole or not 1 <= degree <= _HIGHEST_DEGREE:
            at = (index,) if isinstance(value, list | tuple) else ()
            raise refuse(f"{show(degree)} is no degree", allowed, at=at)
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
    any_of(
        {"type": "integer", "minimum": 1},
        matching("[0-9]+([ ,-]+[0-9]+)*"),
        several(whole(1, _HIGHEST_DEGREE).schema, 1, _LONGEST_ORDER),
        default="1357",
        examples=["1357", "7531", "5-1-3-7"],
    ),
)


# Scales chosen by the teacher for some chords: `{V7: altered, m7: dorian}`.
#
# A chord is named by a numeral (V7: wherever that chord stands in the key), by its symbol as
# written in the drill's `key` (G7), or by its quality alone (7, m7, alt: every chord of that kind).

Named = Numeral | Chord | Degrees  # one chord of a key, or every chord of a quality
ChordScales = tuple[tuple[Named, str], ...]  # and the name of its scale

_CHORDS_ALLOWED = "a numeral (V7), a chord symbol (G7) or a quality (7, m7, maj7, alt)"


def _read_scales(value: Any) -> ChordScales:
    """Read {V7: altered, m7: dorian}."""
    if isinstance(value, tuple):
        return value
    if not isinstance(value, dict) or not value:
        raise refuse(f"{show(value)} names no chords and scales", "{V7: altered, m7: dorian}")
    return tuple(read_each(value.items(), lambda item: (_named(item[0]), _scale(*item)), at=False))


def _named(key: Any) -> Named:
    text = str(key).strip()
    try:
        return parse_numeral(text) if is_numeral(text) else _quality_or_symbol(text)
    except SymbolError as error:
        close = f'"{error.suggestion}"' if error.suggestion else ""
        wrong = Wrong(f"{show(key)} is no chord", _CHORDS_ALLOWED, close, (key,), key=True)
        raise RefusedError([wrong]) from None


def _quality_or_symbol(text: str) -> Named:
    try:
        return read_quality(text)
    except QualityError:
        return parse_chord(text)


def _scale(key: Any, scale: Any) -> str:
    with under(key):
        return known(scale, "scale", SCALES)


CHORD_SCALES = Read(
    _read_scales,
    {
        "type": "object",
        "minProperties": 1,
        "additionalProperties": {"enum": [*SCALES]},
        "examples": [{"V7": "altered", "m7": "dorian"}],
    },
)


# Intervals by their names: a letter for the quality (m minor, M major, P perfect, A augmented, d
# diminished) and the number of letters (common practice).

INTERVAL_DEGREES = {
    "m2": Degree(2, -1), "M2": Degree(2), "m3": Degree(3, -1), "M3": Degree(3),
    "P4": Degree(4), "A4": Degree(4, 1), "d5": Degree(5, -1), "P5": Degree(5),
    "A5": Degree(5, 1), "m6": Degree(6, -1), "M6": Degree(6), "d7": Degree(7, -2),
    "m7": Degree(7, -1), "M7": Degree(7), "P8": Degree(8),
    "m9": Degree(9, -1), "M9": Degree(9), "m10": Degree(10, -1), "M10": Degree(10),
}  # fmt: skip
DEFAULT_INTERVALS = ("m3", "M3", "P4", "P5")
_MOST_INTERVALS = 32
_INTERVALS_ALLOWED = f"names of intervals: {' '.join(INTERVAL_DEGREES)}"


def _read_intervals(value: Any) -> tuple[str, ...]:
    """Read 'm3 P5', or [m3, P5]."""
    words = re.findall(r"[^\s,]+", value) if isinstance(value, str) else value
    if not isinstance(words, list | tuple) or not 1 <= len(words) <= _MOST_INTERVALS:
        raise refuse(f"{show(value)} names no intervals", _INTERVALS_ALLOWED)
    return tuple(read_each(words, _interval, at=words is value))


def _interval(word: Any) -> str:
    if str(word) not in INTERVAL_DEGREES:
        near = nearest(word, (each for each in INTERVAL_DEGREES if each[0] == str(word)[:1]))
        raise refuse(f"{show(word)} is no interval", _INTERVALS_ALLOWED, near)
    return str(word)


INTERVALS = Read(
    _read_intervals,
    any_of(
        {"type": "string", "minLength": 1},
        several({"enum": [*INTERVAL_DEGREES]}, 1, _MOST_INTERVALS),
        examples=["m3 M3 P4 P5", ["M6", "m7"]],
    ),
)


# Beats of the bar on which something falls.

MOST_BEATS = 5  # in a bar: 5/4
_BEAT = whole(1, MOST_BEATS)


def _read_beats(value: Any) -> tuple[int, ...]:
    """Read `chord`, 1, or [1, 3]; () means where each chord begins."""
    if value == "chord":
        return ()
    values = value if isinstance(value, list | tuple) else [value]
    if not values:
        raise refuse(f"{show(value)} names no beat", "chord, or beats of the bar: [1, 3]")
    return tuple(sorted(set(read_each(values, _BEAT.function, at=values is value))))


BEATS = Read(
    _read_beats,
    any_of(
        {"const": "chord"},
        _BEAT.schema,
        several(_BEAT.schema),
        default="chord",
        examples=["chord", [1, 3]],
    ),
)


# Patterns over a scale.

Pattern = Literal["scale", "thirds", "fourths", "groups of four"]
PATTERNS = get_args(Pattern)


def _read_pattern(value: Any) -> str | tuple[int, ...]:
    """Read a pattern by name, or degrees: 1235, 1-2-3-5."""
    if isinstance(value, str) and not any(sign.isdigit() for sign in value):
        return known(value, "pattern", PATTERNS, "or degrees of the scale: 1235")
    order: tuple[int, ...] = ORDER.function(value)
    return order


def read_bebop(value: Any, data: dict[str, Any]) -> bool:
    bebop: bool = YES_NO.function(value)
    if bebop and (data.get("pattern", "scale"), data.get("note", "eighth")) != ("scale", "eighth"):
        raise refuse(
            "bebop scales put chord tones on the beats by going up and down in eighths",
            "pattern: scale and note: eighth",
        )
    return bebop


_ORDER_FORMS = [form for form in ORDER.schema["anyOf"] if form.get("type") != "string"]
_DEGREES = {"type": "string", "pattern": "[0-9]"}
PATTERN = Read(
    _read_pattern,
    any_of(
        {"enum": [*PATTERNS]},
        *_ORDER_FORMS,
        _DEGREES,
        default="1235",
        examples=["1235", *PATTERNS],
    ),
)


# Cells: small rhythms that phrases are put together from.
#
# A cell is written in lengths (`q e e`), `r:` before those that are rests (`r:e q e`).

_REST = "r:"
_MOST_CELLS = 32  # cells
_CELL_ALLOWED = f"{LENGTH_ALLOWED}; r: before a rest: r:e q e"


@dataclass(frozen=True, slots=True)
class RhythmCell:
    """Lengths in quarter notes, each sounding or silent."""

    lengths: tuple[tuple[Fraction, bool], ...]

    @property
    def length(self) -> Fraction:
        """Quarter notes."""
        return sum((length for length, _ in self.lengths), Fraction(0))

    @property
    def sounding(self) -> int:
        """How many notes it has."""
        return sum(sounds for _, sounds in self.lengths)


def read_cell(value: Any) -> RhythmCell:
    """Read 'q e e' or 'r:e q e'.  Raises RefusedError."""
    if not isinstance(value, str) or not value.split():
        raise refuse(f"{show(value)} is no rhythm", _CELL_ALLOWED)
    lengths: list[tuple[Fraction, bool]] = []
    for word in re.finditer(r"\S+", value):
        sounds = not word[0].startswith(_REST)
        length = length_of(word[0].removeprefix(_REST))
        if length is None:
            raise refuse(f"{show(word[0])} is no length", _CELL_ALLOWED, offset=word.start())
        lengths.append((length, sounds))
    cell = RhythmCell(tuple(lengths))
    if not cell.sounding:
        raise refuse(f"{show(value)} has no note", _CELL_ALLOWED)
    return cell


def _read_cells(value: Any) -> tuple[RhythmCell, ...]:
    if isinstance(value, tuple) and value and all(isinstance(each, RhythmCell) for each in value):
        return value
    if isinstance(value, str):
        return (read_cell(value),)
    if not isinstance(value, list | tuple) or not 1 <= len(value) <= _MOST_CELLS:
        raise refuse(
            f"{show(value)} is no list of rhythms", f"1 to {_MOST_CELLS} rhythms: [q e e, h]"
        )
    return tuple(read_each(value, read_cell))


def refuse_too_long(cells: tuple[RhythmCell, ...], meter: Meter) -> None:
    """Raises RefusedError at cells that no bar of the meter can hold."""
    allowed = f"up to {meter.bar} quarter notes"
    message = f"the rhythm is longer than a bar of {meter}"
    too_long = (index for index, cell in enumerate(cells) if cell.length > meter.bar)
    if wrongs := [Wrong(message, allowed, at=(index,)) for index in too_long]:
        raise RefusedError(wrongs)


_CELL = {"type": "string", "minLength": 1}
CELLS = Read(
    _read_cells,
    any_of(_CELL, several(_CELL, 1, _MOST_CELLS), examples=[["q e e", "e q e", "r:e q."]]),
)

# What phrases are made of where the drill names no cells, by whether the beat has three eighths:
# common figures of one, two and three beats.
DEFAULT_CELLS: dict[bool, tuple[RhythmCell, ...]] = {
    compound: tuple(map(read_cell, cells))
    for compound, cells in {
        False: ("q", "e e", "r:e e", "h", "q. e", "e q e", "q e e", "e e q", "r:e q e", "r:e e q",
                "q. q.", "q q e e"),
        True: ("q.", "q e", "e q", "e e e", "r:e e e", "h.", "q. q e", "q e q.", "e e e q."),
    }.items()
}  # fmt: skip


# How phrases end: on which note, and how long that lasts.

EndsOn = Literal["home", "open", "mixed"]


@dataclass(frozen=True, slots=True)
class Ends:
    """The last note of a phrase."""

    on: EndsOn = "home"
    length: Fraction | None = None  # quarter notes; None: a beat or more


_ENDS_KEYS = ("note", "length")


def _read_ends(value: Any) -> Ends:
    """Read `open`, or {note: open, length: h}."""
    if isinstance(value, Ends):
        return value
    if not isinstance(value, dict):
        return Ends(_ends_on(value))
    refuse_keys(value, _ENDS_KEYS, "`ends`")
    with Wrongs() as wrongs:
        with wrongs.at("note"):
            on = _ends_on(value.get("note", "home"))
        with wrongs.at("length"):
            length = _ends_length(value["length"]) if "length" in value else None
    return Ends(on, length)


def _ends_on(value: Any) -> EndsOn:
    found: EndsOn = choice(*get_args(EndsOn)).function(value)
    return found


def _ends_length(value: Any) -> Fraction:
    length = length_of(value) if isinstance(value, str) else None
    if length is None:
        raise refuse(f"{show(value)} is no length", LENGTH_ALLOWED)
    return length


def refuse_ending(length: Fraction | None, meter: Meter) -> None:
    """Raises RefusedError where a last note is shorter than a beat or longer than a bar."""
    if length is not None and not meter.beat <= length <= meter.bar:
        side = "shorter than a beat" if length < meter.beat else "longer than a bar"
        allowed = f"{meter.beat} to {meter.bar} quarter notes"
        raise refuse(f"the last note is {side} of {meter}", allowed)


_ENDS_ON = {"enum": [*get_args(EndsOn)]}
ENDS = Read(
    _read_ends,
    any_of(
        _ENDS_ON,
        mapping(
            {
                "note": {**_ENDS_ON, "description": "On which note a phrase ends."},
                "length": matching(LENGTH.pattern, description="How long that note lasts: h."),
            }
        ),
        default="home",
        examples=["open", {"note": "home", "length": "h"}],
    ),
)


# How a set of notes grows through a track.

FIRST_STAGE = 2  # notes that a growing set begins with
DEFAULT_NOTES = read_set("1 b3 4 5 b7")
_GROW = f"yes, no, or rising numbers of notes from {FIRST_STAGE} on: [2, 3, 5]"


def _read_grow(value: Any, data: dict[str, Any]) -> tuple[int, ...]:
    """How many notes there are at each stage, the last the most."""
    most = len(data.get("notes", DEFAULT_NOTES))
    if not isinstance(value, list | tuple):
        grows: bool = YES_NO.function(value)
        return tuple(range(FIRST_STAGE, most + 1)) if grows else (most,)
    if not value:
        raise refuse("the list is empty", _GROW)
    with Wrongs() as wrongs:
        for index, count in enumerate(value):
            with wrongs.at(index):
                _check_stage(count, value[index - 1] if index else FIRST_STAGE - 1, most)
    return tuple(value)


def _check_stage(count: Any, before: Any, most: int) -> None:
    if isinstance(count, bool) or not isinstance(count, int):
        raise refuse(f"{show(count)} is no number of notes", _GROW)
    if count > most:
        raise refuse(f"there are only {most} notes", f"up to {most}")
    if isinstance(before, int) and count <= before:
        raise refuse(f"{count} is no more than before", _GROW)


_STAGES = several({"type": "integer", "minimum": FIRST_STAGE})
GROW = ReadWith(_read_grow, any_of(YES_NO.schema, _STAGES, default="yes"))
