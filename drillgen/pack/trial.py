"""What of a lesson cannot be played, found out before anything of it is rendered.

A drill can be read and still ask for what no hand or nobody plays: that needs its notes.  `check`
and `build` try every drill first, so that each is said where it is written and none of it late.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING

from drillgen.drill.lesson import Lesson
from drillgen.drill.messages import DrillError, Path, Problem
from drillgen.drill.models import Drill, Fingering
from drillgen.drill.reader import problem_at
from drillgen.drill.yaml_source import from_python
from drillgen.sheet.hands import shows_line

if TYPE_CHECKING:
    from drillgen.chart import Chart
    from drillgen.score import Part
    from drillgen.sheet.fingering import Fretboard

SILENT = "nothing would sound; give it a line, a band or a count-in"
_TABLATURE: Path = ("sheet", "tablature")
_FINGERING: Path = ("sheet", "fingering")
_STRINGS: Path = (*_FINGERING, "strings")


def refuse_unplayable(lesson: Lesson, sheets: Collection[int]) -> None:
    """Raises DrillError for every drill in which nothing sounds or, of those with these indices,
    that no hand can play as its sheet asks."""
    problems = [
        problem
        for index, drill in enumerate(lesson.drills)
        for problem in problems_of(lesson, index, sheet=index in sheets)
    ]
    if problems:
        raise DrillError(problems)


def problems_of(lesson: Lesson, index: int, *, sheet: bool = True) -> list[Problem]:
    """What cannot be played of a lesson's drill, with its place; with or without its sheet."""
    drill = lesson.drills[index]
    item = lesson.written[index] if lesson.written else from_python({}, drill.title)
    found = [*_silent(drill), *(_for_no_hand(drill) if sheet else ())]
    return [problem_at(item, path, f'in "{drill.title}", {words}') for path, words in found]


def _silent(drill: Drill) -> Iterator[tuple[Path, str]]:
    band = drill.band
    players = (band.drums, band.comping, band.bass, band.click)
    if drill.line is None and not drill.count_in.bars and not any(p.plays for p in players):
        yield ("band",), SILENT


def _for_no_hand(drill: Drill) -> Iterator[tuple[Path, str]]:
    """The first thing that keeps the line's fingering or tablature from being printed."""
    spec = drill.sheet
    wanted = spec.fingering or (Fingering() if spec.tablature else None)
    if wanted is None or drill.line is None or not shows_line(drill):
        return
    from drillgen.sheet.fingering import FingeringError
    from drillgen.sheet.hands import fretboard
    from drillgen.sheet.sheets import check_tablature

    path = _TABLATURE
    try:
        if spec.tablature:
            check_tablature(spec, drill.line.instrument)
        path = _STRINGS if spec.fingering else _TABLATURE
        board = fretboard(spec.instrument or drill.line.instrument, wanted)
        path = _FINGERING if spec.fingering else _TABLATURE
        _finger(drill, wanted, board)
    except FingeringError as error:
        yield path, str(error)


def _finger(drill: Drill, wanted: Fingering, board: Fretboard) -> None:
    """Raises FingeringError, with a cure where there is one."""
    from drillgen.sheet.fingering import FingeringError
    from drillgen.sheet.hands import solutions

    for chart, line in _read(drill):
        try:
            solutions(chart, line, wanted)
        except FingeringError as error:
            cure = _cure(drill, board)
            raise FingeringError(f"{error}; {cure}" if cure else str(error)) from None


def _read(drill: Drill) -> Iterator[tuple[Chart, Part]]:
    """The line of each track that is on the sheet, as its reader has it; tempos share a sheet."""
    from drillgen.chart import charts
    from drillgen.lines.kinds import line
    from drillgen.sheet.reader import read_by, reader_of

    for chart in charts(drill):
        if chart.tempo == drill.tempos[0] and (part := line(chart)) is not None:
            yield chart, read_by(chart, part, reader_of(drill.sheet, part.instrument))


def _cure(drill: Drill, board: Fretboard) -> str:
    """A range in which the line lies on the bass, where it does not and there is one."""
    from drillgen.drill.fields import Range
    from drillgen.drill.instruments import INSTRUMENTS

    line = drill.line
    if line is None or _lies_on(drill, board):
        return ""
    own = line.range or Range(INSTRUMENTS[line.instrument].low, INSTRUMENTS[line.instrument].high)
    low = max(board.strings[0], own.low, key=lambda pitch: pitch.midi)
    high = min(board.strings[-1].octaves(1), own.high, key=lambda pitch: pitch.midi)
    if high.midi - low.midi < 12:
        low, high = board.strings[0], board.strings[-1].octaves(1)
    other = line.model_copy(update={"range": Range(low, high)})
    if not _lies_on(drill.model_copy(update={"line": other}), board):
        return ""
    return f"write line: {{range: {low} to {high}}}"


def _lies_on(drill: Drill, board: Fretboard) -> bool:
    """Whether every note has a place on the bass."""
    low, high = board.strings[0].midi, board.strings[-1].midi + board.frets
    return all(low <= note.pitch.midi <= high for _, line in _read(drill) for note in line.notes)
