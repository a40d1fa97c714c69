"""The options of the kinds of line that are worked out from the chords."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Any, Literal, TypeVar

from pydantic import ConfigDict, ValidationInfo

from drillgen.drill.bars import Meter
from drillgen.drill.fields import RANGE, YES_NO, Model, Range, Read, ReadWith, choice, whole
from drillgen.drill.fields import Read as Reader
from drillgen.drill.instruments import INSTRUMENTS
from drillgen.drill.messages import RefusedError, Wrong, Wrongs, listed, nearest, refuse, show
from drillgen.theory.chord_symbols import QualityError, SymbolError, read_quality
from drillgen.theory.chord_types import Degrees
from drillgen.theory.chords import Chord, parse_chord
from drillgen.theory.numerals import Numeral, is_numeral, parse_numeral
from drillgen.theory.scales import SCALES

# What every kind of line can be told.

# In the schema: a mapping of this kind must name it.
NEEDS_KIND = ConfigDict(json_schema_extra={"required": ["kind"]})

MOST_BEATS = 5  # in a bar: 5/4


class Line(Model):
    """What every kind of line can be told."""

    kind: str
    instrument: Annotated[str, choice(*INSTRUMENTS)] = "upright"
    """What plays the line."""
    range: Annotated[Range | None, RANGE] = None
    """Lowest and highest sounding pitch; by default what lies well on the instrument."""
    begin_at: Annotated[int, whole(1, MOST_BEATS)] = 1
    """The beat on which each call begins; what lies before it in its first bar is left out."""

    @property
    def beats_named(self) -> dict[str, int]:
        """Options that name a beat of the bar, and the last beat that each names."""
        return {"begin_at": self.begin_at}

    def lead(self, bar: Fraction) -> Fraction:
        """Quarter notes before each call in which a pick-up to it sounds; `bar` is a bar's."""
        return 0 * bar

    def check(self, meter: Meter) -> None:
        """Raises RefusedError where the line does not fit the meter."""

    def check_gaps(self, call: int | None, response: int | None) -> None:
        """Raises RefusedError where it does not fit the bars of call and response (None: none)."""

    @property
    def sounding_range(self) -> tuple[int, int]:
        """Lowest and highest sounding MIDI key."""
        if self.range is not None:
            return self.range.midi
        instrument = INSTRUMENTS[self.instrument]
        return instrument.low.midi, instrument.high.midi


_AnyLine = TypeVar("_AnyLine", bound=Line | None)


def in_meter(line: _AnyLine, info: ValidationInfo) -> _AnyLine:
    """A line that fits the drill's meter, where that could be read."""
    meter = info.data.get("meter")
    wrongs = Wrongs()
    if isinstance(line, Line) and meter:
        with wrongs.at(line.kind):
            line.check(meter)
    wrongs.raise_any()
    return line


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
        if (
            isinstance(degree, bool)
            or not isinstance(degree, int)
            or not (1 <= degree <= _HIGHEST_DEGREE)
        ):
            raise refuse(
                f"{show(degree)} is no degree",
                allowed,
                at=(index,) if isinstance(value, list | tuple) else (),
            )
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


# Scales chosen by the teacher for some chords: `{V7: altered, m7: dorian}`.
#
# A chord is named by a numeral (V7: wherever that chord stands in the key), by its symbol as
# written in the drill's `key` (G7), or by its quality alone (7, m7, alt: every chord of that kind).

Named = Numeral | Chord | Degrees  # one chord of a key, or every chord of a quality
ChordScales = tuple[tuple[Named, str], ...]  # and the name of its scale

_ALLOWED = "a numeral (V7), a chord symbol (G7) or a quality (7, m7, maj7, alt)"


def _read(value: Any) -> ChordScales:
    """Read {V7: altered, m7: dorian}."""
    if isinstance(value, tuple):
        return value
    if not isinstance(value, dict) or not value:
        raise refuse(f"{show(value)} names no chords and scales", "{V7: altered, m7: dorian}")
    wrongs = Wrongs()
    found: list[tuple[Named, str]] = []
    for key, scale in value.items():
        with wrongs.at():
            named = _named(key)
            found.append((named, _scale(key, scale)))
    wrongs.raise_any()
    return tuple(found)


def _named(key: Any) -> Named:
    text = str(key).strip()
    try:
        if is_numeral(text):
            return parse_numeral(text)
        return _quality_or_symbol(text)
    except SymbolError as error:
        raise _no_chord(key, error.suggestion) from None


def _quality_or_symbol(text: str) -> Named:
    try:
        return read_quality(text)
    except QualityError:
        return parse_chord(text)


def _no_chord(key: Any, suggestion: str) -> RefusedError:
    close = f'"{suggestion}"' if suggestion else ""
    return RefusedError([Wrong(f"{show(key)} is no chord", _ALLOWED, close, (key,), key=True)])


def _scale(key: Any, scale: Any) -> str:
    if not isinstance(scale, str) or scale not in SCALES:
        raise refuse(f"{show(scale)} is no scale", listed(SCALES), nearest(scale, SCALES), (key,))
    return scale


CHORD_SCALES = Read(
    _read,
    {
        "type": "object",
        "minProperties": 1,
        "additionalProperties": {"enum": [*SCALES]},
        "examples": [{"V7": "altered", "m7": "dorian"}],
    },
)


# Options of arpeggios.


class Arpeggio(Line):
    """The tones of each chord in a stated order."""

    model_config = NEEDS_KIND
    kind: Literal["arpeggio"] = "arpeggio"
    order: Annotated[tuple[int, ...], ORDER] = (1, 3, 5, 7)
    """Degrees over each chord's root, in the order in which they are played."""
    inversion: Annotated[int, whole(0, 3)] = 0
    """How many tones higher it begins: 1 makes 3 5 7 8 of 1 3 5 7."""
    direction: Annotated[str, choice("up", "down", "alternating")] = "up"
    """The order as written, backwards, or one chord each way."""
    note: Annotated[str, choice("quarter", "eighth", "triplet")] = "quarter"
    """The length of the notes: a beat, half a beat, or a third of one."""
    connect: Annotated[bool, YES_NO] = False
    """Begin each chord on the tone nearest to the last note."""


# Options of enclosures.

TARGETS = ("root", "third", "fifth", "seventh", "guide tones")
APPROACHES = (
    "above below",
    "below above",
    "double chromatic",
    "double chromatic above",
    "from below",
    "from above",
)
_BEAT = whole(1, MOST_BEATS)


def _read_beats(value: Any) -> tuple[int, ...]:
    """Read `chord`, 1, or [1, 3]; () means where each chord begins."""
    if value == "chord":
        return ()
    values = value if isinstance(value, list | tuple) else [value]
    if not values:
        raise refuse(f"{show(value)} names no beat", "chord, or beats of the bar: [1, 3]")
    wrongs = Wrongs()
    beats: list[int] = []
    for index, each in enumerate(values):
        with wrongs.at(*([index] if values is value else [])):
            beats.append(_BEAT.function(each))
    wrongs.raise_any()
    return tuple(sorted(set(beats)))


BEATS = Read(
    _read_beats,
    {
        "anyOf": [
            {"const": "chord"},
            _BEAT.schema,
            {"type": "array", "items": _BEAT.schema, "minItems": 1},
        ],
        "default": "chord",
        "examples": ["chord", [1, 3]],
    },
)


class Enclosure(Line):
    """Chord tones reached from a note above and a note below."""

    model_config = NEEDS_KIND
    kind: Literal["enclosure"] = "enclosure"
    target: Annotated[str, choice(*TARGETS)] = "third"
    """The chord tone that is aimed at; guide tones: third or seventh, whichever is nearer."""
    approach: Annotated[str, choice(*APPROACHES)] = "above below"
    """The notes before it: scale tone above, semitone below, or semitones from one side."""
    beats: Annotated[tuple[int, ...], BEATS] = ()
    """Where the targets fall: where each chord begins, or on these beats of the bar."""
    fill: Annotated[str, choice("rest", "hold", "chord tones")] = "hold"
    """What comes between: silence, the target held, or chord tones in eighths."""
    scales: Annotated[ChordScales, CHORD_SCALES] = ()
    """Scales for some chords, in the place of the usual ones: {V7: altered, m7: dorian}."""

    @property
    def beats_named(self) -> dict[str, int]:
        """Options that name a beat of the bar, and the last beat that each names."""
        return {**super().beats_named, "beats": max(self.beats, default=1)}


# Options of guide tones.


class GuideTones(Line):
    """Thirds and sevenths, moving by the smallest step."""

    kind: Literal["guide tones"] = "guide tones"
    begin_on: Annotated[int, choice(3, 7)] = 3
    """The tone of the first chord that the line begins on."""
    voices: Annotated[str, choice("one", "both")] = "one"
    """One voice, or the two together."""
    rhythm: Annotated[str, choice("chord", "half", "quarter")] = "chord"
    """A note for each chord, or repeated in halves (two beats) or quarters (a beat)."""
    thread: Annotated[str, choice("key", "track")] = "key"
    """Begin anew in each key, or go on from key to key by the smallest step."""


# Options of roots: none of their own.


class Roots(Line):
    """The root of each chord, or the bass of a slash chord."""

    model_config = NEEDS_KIND
    kind: Literal["roots"] = "roots"


# Options of scale patterns.

PATTERNS = ("scale", "thirds", "fourths", "groups of four")


def _read_pattern(value: Any) -> str | tuple[int, ...]:
    """Read a pattern by name, or degrees: 1235, 1-2-3-5."""
    if isinstance(value, str) and not any(sign.isdigit() for sign in value):
        if value in PATTERNS:
            return value
        allowed = f"{listed(PATTERNS)}, or degrees of the scale: 1235"
        raise refuse(f"{show(value)} is no pattern", allowed, nearest(value, PATTERNS))
    order: tuple[int, ...] = ORDER.function(value)
    return order


def _read_bebop(value: Any, data: dict[str, Any]) -> bool:
    bebop: bool = YES_NO.function(value)
    if bebop and (data.get("pattern", "scale"), data.get("note", "eighth")) != ("scale", "eighth"):
        raise refuse(
            "bebop scales put chord tones on the beats by going up and down in eighths",
            "pattern: scale and note: eighth",
        )
    return bebop


_ORDER_FORMS = [form for form in ORDER.schema["anyOf"] if form.get("type") != "string"]
_DEGREES = {"type": "string", "pattern": "[0-9]"}
PATTERN = Reader(
    _read_pattern,
    {
        "anyOf": [{"enum": [*PATTERNS]}, *_ORDER_FORMS, _DEGREES],
        "default": "1235",
        "examples": ["1235", *PATTERNS],
    },
)


class ScalePattern(Line):
    """Patterns over each chord's scale."""

    model_config = NEEDS_KIND
    kind: Literal["scale pattern"] = "scale pattern"
    pattern: Annotated[str | tuple[int, ...], PATTERN] = (1, 2, 3, 5)
    """Degrees over each chord's root, or the scale in steps, thirds, fourths or groups of four."""
    direction: Annotated[str, choice("up", "down", "alternating")] = "up"
    """Rising, falling, or one chord each way."""
    note: Annotated[str, choice("quarter", "eighth", "triplet")] = "quarter"
    """The length of the notes: a beat, half a beat, or a third of one."""
    scales: Annotated[ChordScales, CHORD_SCALES] = ()
    """Scales for some chords, in the place of the usual ones: {V7: altered, m7: dorian}."""
    bebop: Annotated[
        bool, ReadWith(schema={**YES_NO.schema, "default": False}, function=_read_bebop)
    ] = False
    """A passing note in each scale, so that chord tones fall on the beats."""
    connect: Annotated[bool, YES_NO] = False
    """Go on from the nearest tone at each change, up and down through the whole range."""


# Options of walking lines.


class Walking(Line):
    """A note a beat that outlines the chords and leads into each change."""

    model_config = NEEDS_KIND
    kind: Literal["walking"] = "walking"
    beat_one: Annotated[str, choice("root", "chord tone")] = "root"
    """Where a chord begins: always its root, or another tone of it now and then."""
    approach: Annotated[str, choice("chromatic", "dominant", "mixed")] = "mixed"
    """How the last beat leads on: by a semitone, from the fifth above, or both."""
    two_beat: Annotated[bool, YES_NO] = False
    """Two notes a bar instead of four."""
    version: Annotated[str, choice("full", "bare", "alternating")] = "full"
    """The whole line, its roots and guide tones alone, or first these and then the same line."""
