"""The options of the kinds of line that are melodies: riffs, written lines, phrases; and rhythm."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import Field

from drillgen.drill.bars import Meter
from drillgen.drill.fields import YES_NO, Read, ReadWith, choice, is_off, number, whole
from drillgen.drill.line_options import NEEDS_KIND, Line
from drillgen.drill.melody import (
    LENGTH_ALLOWED,
    MELODY,
    SET_SCHEMA,
    Melody,
    ScaleNote,
    length_of,
    read_set,
)
from drillgen.drill.messages import RefusedError, Wrong, Wrongs, refuse, show

# What lines share that a person writes out: a melody, with a pick-up perhaps.


class Composed(Line):
    """A line with its own notes."""

    notes: Annotated[Melody, MELODY]

    def lead(self, bar: Fraction) -> Fraction:
        """How long the pick-up is, in quarter notes."""
        return self.notes.pickup(bar)


# Options of riffs.

_CHANGES = ("no", "note", "rhythm")


def _read_develop(value: Any) -> Any:
    return "no" if is_off(value) else choice(*_CHANGES).function(value)


class Riff(Composed):
    """A figure in degrees of the tonic, kept over every chord."""

    model_config = NEEDS_KIND
    kind: Literal["riff"] = "riff"
    notes: Annotated[Melody, MELODY]
    """The riff in degrees of the tonic, with its rhythm."""
    develop: Annotated[str, Read(_read_develop, {"enum": [*_CHANGES, "off", "none", False]})] = "no"
    """Change one note, or the place of one note, each time round; the first note stays."""
    blue: Annotated[bool, YES_NO] = True
    """Blue notes stay: b3, b5, b7 of the tonic over every chord, the #9 over a dominant."""

    def check(self, meter: Meter) -> None:
        """Bars add up, the notes are degrees, and there is something to develop."""
        wrongs = Wrongs()
        with wrongs.at("notes"):
            self.notes.check(meter)
        with wrongs.at("notes"):
            if not all(isinstance(tone, ScaleNote) for tone in self.notes.tones):
                raise refuse("a riff is written in degrees", "degrees, or `kind: written`")
        with wrongs.at("develop"):
            if self.develop == "note" and len(set(self.notes.tones)) < 2:
                raise refuse("the riff has one note only", "no, or two different notes")
        wrongs.raise_any()


# Options of written melodies.


class Written(Composed):
    """A melody of one's own, transposed through the cycle."""

    model_config = NEEDS_KIND
    kind: Literal["written"] = "written"
    notes: Annotated[Melody, MELODY]
    """The melody in degrees of the tonic, or by name in the drill's key, with its rhythm."""
    then: Annotated[str, choice("repeat", "rest")] = "repeat"
    """What comes where the melody is shorter than the form: it again, or silence."""

    def check(self, meter: Meter) -> None:
        """Bars add up."""
        wrongs = Wrongs()
        with wrongs.at("notes"):
            self.notes.check(meter)
        wrongs.raise_any()


# Cells: small rhythms that phrases are put together from.
#
# A cell is written in lengths (`q e e`), `r:` before those that are rests (`r:e q e`).

_REST = "r:"
_MOST = 32  # cells
_ALLOWED = f"{LENGTH_ALLOWED}; r: before a rest: r:e q e"


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
        raise refuse(f"{show(value)} is no rhythm", _ALLOWED)
    lengths: list[tuple[Fraction, bool]] = []
    for word in re.finditer(r"\S+", value):
        sounds = not word[0].startswith(_REST)
        length = length_of(word[0].removeprefix(_REST))
        if length is None:
            raise refuse(f"{show(word[0])} is no length", _ALLOWED, offset=word.start())
        lengths.append((length, sounds))
    cell = RhythmCell(tuple(lengths))
    if not cell.sounding:
        raise refuse(f"{show(value)} has no note", _ALLOWED)
    return cell


def _read_cells(value: Any) -> tuple[RhythmCell, ...]:
    if isinstance(value, tuple) and value and all(isinstance(each, RhythmCell) for each in value):
        return value
    if isinstance(value, str):
        return (read_cell(value),)
    if not isinstance(value, list | tuple) or not 1 <= len(value) <= _MOST:
        raise refuse(f"{show(value)} is no list of rhythms", f"1 to {_MOST} rhythms: [q e e, h]")
    wrongs = Wrongs()
    cells: list[RhythmCell] = []
    for index, text in enumerate(value):
        with wrongs.at(index):
            cells.append(read_cell(text))
    wrongs.raise_any()
    return tuple(cells)


def too_long(cells: tuple[RhythmCell, ...], meter: Meter) -> list[Wrong]:
    """Cells that no bar of the meter can hold, by index."""
    return [
        Wrong(
            f"the rhythm is longer than a bar of {meter}",
            f"up to {meter.bar} quarter notes",
            at=(index,),
        )
        for index, cell in enumerate(cells)
        if cell.length > meter.bar
    ]


_CELL = {"type": "string", "minLength": 1}
CELLS = Read(
    _read_cells,
    {
        "anyOf": [_CELL, {"type": "array", "items": _CELL, "minItems": 1, "maxItems": _MOST}],
        "examples": [["q e e", "e q e", "r:e q."]],
    },
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


# Options of phrases: call and response from a few notes.

HEIGHTS = ("low", "middle", "high")
_FIRST = 2  # notes that a growing set begins with
_DEFAULT_NOTES = read_set("1 b3 4 5 b7")
_GROW = f"yes, no, or rising numbers of notes from {_FIRST} on: [2, 3, 5]"


def _read_grow(value: Any, data: dict[str, Any]) -> tuple[int, ...]:
    """How many notes there are at each stage, the last the most."""
    most = len(data.get("notes", _DEFAULT_NOTES))
    if not isinstance(value, list | tuple):
        grows: bool = YES_NO.function(value)
        return tuple(range(_FIRST, most + 1)) if grows else (most,)
    if not value:
        raise refuse("the list is empty", _GROW)
    wrongs = Wrongs()
    for index, count in enumerate(value):
        with wrongs.at(index):
            _check_stage(count, value[index - 1] if index else _FIRST - 1, most)
    wrongs.raise_any()
    return tuple(value)


def _check_stage(count: Any, before: Any, most: int) -> None:
    if isinstance(count, bool) or not isinstance(count, int):
        raise refuse(f"{show(count)} is no number of notes", _GROW)
    if count > most:
        raise refuse(f"there are only {most} notes", f"up to {most}")
    if isinstance(before, int) and count <= before:
        raise refuse(f"{count} is no more than before", _GROW)


GROW = ReadWith(
    schema={
        "anyOf": [
            YES_NO.schema,
            {"type": "array", "items": {"type": "integer", "minimum": _FIRST}, "minItems": 1},
        ],
        "default": "yes",
    },
    function=_read_grow,
)


class Phrases(Line):
    """Phrases from a few notes, each as long as the gap that follows it."""

    model_config = NEEDS_KIND
    kind: Literal["phrases"] = "phrases"
    notes: Annotated[tuple[ScaleNote, ...], Read(read_set, SET_SCHEMA)] = _DEFAULT_NOTES
    """The only notes used, as degrees of the tonic, in the order in which they come in."""
    grow: Annotated[tuple[int, ...] | None, GROW] = None
    """Begin with the first two notes and add one at a time through the track, or as listed."""
    length: Annotated[int | None, whole(1, 64, "bars")] = None
    """Bars from the call's start in which a phrase lies; by default the whole call."""
    density: Annotated[float, number(0, 1)] = 0.5
    """How busy the rhythm is."""
    rests: Annotated[float, number(0, 1)] = 0.2
    """How much of a phrase is left silent."""
    cells: Annotated[tuple[RhythmCell, ...] | None, CELLS] = None
    """The rhythms that phrases are put together from; by default common ones."""
    height: Annotated[str, choice(*HEIGHTS)] = Field(default="middle", alias="register")
    """Where in the range the notes lie."""
    ends: Annotated[str, choice("home", "open", "mixed")] = "home"
    """Each phrase ends on a note of rest, or on another one like a question, or now and then."""
    repeat: Annotated[bool, YES_NO] = False
    """The same phrases again in every pass and key; by default none comes twice in a track."""

    @property
    def stages(self) -> tuple[int, ...]:
        """How many of the notes are used at each stage of the track."""
        return self.grow or tuple(range(_FIRST, len(self.notes) + 1))

    def check(self, meter: Meter) -> None:
        """No cell is longer than a bar."""
        wrongs = Wrongs()
        with wrongs.at("cells"):
            found = too_long(self.cells or (), meter)
            if found:
                raise RefusedError(found)
        wrongs.raise_any()

    def check_gaps(self, call: int | None, response: int | None) -> None:
        """The gap is as long as the call, and the phrase no longer."""
        if call is None:
            raise refuse("phrases need a gap to be answered in", "gaps: 4", at=("gaps",))
        if call != response:
            raise refuse(
                f"bars of call and gap: {call} and {response}; phrases need a gap as long as "
                "the call",
                f"response: {call}",
                at=("gaps", "response"),
            )
        if self.length is not None and self.length > call:
            raise RefusedError(
                [
                    Wrong(
                        f"a phrase of {self.length} bars is longer than the call",
                        f"up to {call}",
                        at=("line", "length"),
                    )
                ]
            )
