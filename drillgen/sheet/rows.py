"""Rows of text under the staff: fingers, strings and positions, or degrees; and tablatures."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from drillgen.chart import Chart
from drillgen.drill.models import Fingering, SheetSpec
from drillgen.score import Note, Part
from drillgen.sheet.elements import pretty
from drillgen.sheet.fingering import FingeringError
from drillgen.sheet.hands import Solution, fretboard, solutions
from drillgen.sheet.notation import Fret, Row
from drillgen.theory.pitch import Pitch

_DEGREES = re.compile(r"[b#]*\d+( [b#]*\d+)*")
_TABLATURE_FOR = "electric"


def degrees(notes: Sequence[Note]) -> Row:
    """Each note's degree, where its mark is one."""
    marked = {note: pretty(note.mark) for note in notes if _DEGREES.fullmatch(note.mark)}
    return Row("degree", marked)


def fingerings(chart: Chart, line: Part) -> tuple[Row, ...]:
    """The rows of each solution that a drill asks for.  Raises FingeringError."""
    return tuple(row for found in solutions(chart, line) for row in _rows(chart, found))


def _rows(chart: Chart, found: Solution) -> Iterator[Row]:
    which = f", {found.name}" if found.name else ""
    yield Row(f"finger{which}", {each.note: each.finger for each in found.fingered})
    yield Row(f"string{which}", {each.note: each.string_name for each in found.fingered})
    yield Row(f"position{which}", dict(_positions(chart, found)))


def _positions(chart: Chart, found: Solution) -> Iterator[tuple[Note, str]]:
    """The position where the hand comes to it, and at the beginning of each pass."""
    before: tuple[str, int] | None = None
    for each in found.fingered:
        now = (each.position, chart.bar_at(each.note.start).pass_number)
        if now != before:
            yield each.note, each.position
        before = now


def tablature(chart: Chart, line: Part) -> tuple[Mapping[Note, Fret], tuple[Pitch, ...]]:
    """Where each note lies, and the strings from low to high.

    Raises FingeringError where the reader plays no electric bass, or a note cannot be played.
    """
    sheet = chart.drill.sheet
    check_tablature(sheet, line.instrument)
    wanted = sheet.fingering or Fingering()
    found = solutions(chart, line, wanted)[0]
    frets = {each.note: Fret(each.string, each.fret) for each in found.fingered}
    return frets, fretboard(_TABLATURE_FOR, wanted).strings


def check_tablature(sheet: SheetSpec, player: str) -> None:
    """Raises FingeringError where a line that `player` plays is read by no electric bass."""
    reader = sheet.instrument or player
    if reader != _TABLATURE_FOR:
        raise FingeringError(
            f"a tablature is for the electric bass, and the line is read by {reader};"
            " write sheet: {tablature: true, instrument: electric}"
        )
