"""Options of phrases: call and response from a few notes."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from drillgen.drill.fields import YES_NO, Read, ReadWith, choice, number, whole
from drillgen.drill.lines.line import NEEDS_KIND, Line
from drillgen.drill.meter import Meter
from drillgen.drill.notation import SET_SCHEMA, ScaleNote, read_set
from drillgen.drill.problems import RefusedError, Wrong, Wrongs, refuse, show
from drillgen.drill.rhythm import CELLS, RhythmCell, too_long

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
