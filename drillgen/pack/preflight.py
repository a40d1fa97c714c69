"""What of a lesson cannot be played, found out before anything of it is rendered.

A drill can be read and still ask for what no hand or nobody plays: that needs its notes.  `check`
and `build` try every drill first, so that each is said where it is written and none of it late.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from drillgen.drill.lesson import Lesson
from drillgen.drill.messages import KeyPath, Problem
from drillgen.drill.models import Drill
from drillgen.drill.reader import problem_at, refused_at
from drillgen.drill.sheet import Fingering
from drillgen.drill.yaml_source import SourceItem, from_python
from drillgen.errors import DrillgenError
from drillgen.pack.settings import refused_audio

if TYPE_CHECKING:
    from drillgen.chart import Chart
    from drillgen.score import Part, Score
    from drillgen.sheet.fingering import FingeringError, Fretboard
    from drillgen.sheet.reader import Solution
    from drillgen.theory.pitch import Key


SILENT = "nothing would sound; give it a line, a band or a count-in"
_TABLATURE: KeyPath = ("sheet", "tablature")
_FINGERING: KeyPath = ("sheet", "fingering")
_STRINGS: KeyPath = (*_FINGERING, "strings")
Unplayable = tuple[KeyPath, str]  # the drill's key that asks for it, and what is said of it


class UnplayableError(DrillgenError):
    """No hand can play a line as its sheet asks; the details are the key and the words."""

    def __init__(self, wrong: Unplayable) -> None:
        super().__init__(wrong[1])
        self.details = wrong


@dataclass(frozen=True, slots=True)
class Checked:
    """What `check` says of a drill, or of several."""

    texts: tuple[str, ...] = ()  # charts, with fingerings where they are asked for
    problems: tuple[Problem, ...] = ()
    tracks: int = 0
    seconds: float = 0.0  # of all tracks
    heard: float = 0.0  # seconds of all mixes: with the line and without
    parts: tuple[Checked, ...] = ()  # of a class, each as it has the drills

    def with_next(self, other: Checked) -> Checked:
        """Both, one after the other."""
        return Checked(
            self.texts + other.texts,
            self.problems + other.problems,
            self.tracks + other.tracks,
            self.seconds + other.seconds,
            self.heard + other.heard,
        )


def check_all(lesson: Lesson, keys: Collection[Key] = ()) -> Checked:
    """Every drill of a lesson, and what cannot be played of it, or of it for a part of its class.
    Raises FeelError where a feel's file cannot be played."""
    found = Checked()
    for index in range(len(lesson.drills)):
        found = found.with_next(check(lesson, index, keys))
    for part in lesson.parts:
        own = Checked()
        for index in range(len(part.lesson.drills)):
            own = own.with_next(check(part.lesson, index))
        found = replace(found, problems=found.problems + own.problems, parts=(*found.parts, own))
    return found


def check(lesson: Lesson, index: int, keys: Collection[Key] = ()) -> Checked:
    """A lesson's drill as `check` shows it (of it `keys` alone, where some are named), and what of
    it cannot be played.  Raises FeelError where its feel's file cannot be."""
    from drillgen.band.feel import feel
    from drillgen.chart import charts
    from drillgen.sheet.reader import review

    drill = lesson.drills[index]
    feel(drill.feel, drill.meter)  # its file is refused here as at build
    tracks = charts(drill)
    wrongs = [*silent(drill)]
    hands: list[tuple[Solution, ...]] = []
    try:
        hands += _hands(drill, tracks)
    except UnplayableError as error:
        wrongs.append(error.details)
    problems = [problem(lesson, index, wrong) for wrong in wrongs]
    if lesson.written:
        problems += audio_problems(drill, lesson.written[index])
    shown = hands if drill.sheet.fingering is not None and not wrongs else ()
    seconds = sum(track.lasts for track in tracks)
    heard = seconds * (2 if drill.line else 1)
    return Checked(tuple(review(tracks, shown, keys)), tuple(problems), len(tracks), seconds, heard)


def problem(lesson: Lesson, index: int, wrong: Unplayable) -> Problem:
    """What is wrong with a lesson's drill, with its place in the file."""
    drill, (path, words) = lesson.drills[index], wrong
    item = lesson.written[index] if lesson.written else from_python({}, drill.title)
    return problem_at(item, path, f'in "{drill.title}", {words}')


def audio_problems(drill: Drill, item: SourceItem) -> list[Problem]:
    """What there is not of the formats and mixes that a drill asks for."""
    return [
        problem
        for key, refused in refused_audio(drill.audio)
        for problem in refused_at(item, ("audio", key), refused)
    ]


def silent(drill: Drill) -> Iterator[Unplayable]:
    """Whether nobody plays: known without a note."""
    band = drill.band
    players = (band.drums, band.comping, band.bass, band.click)
    if drill.line is None and not drill.count_in.bars and not any(p.plays for p in players):
        yield ("band",), SILENT


def explained(drill: Drill, scores: Sequence[Score], error: FingeringError) -> UnplayableError:
    """Which key of a drill asks for the fingering that its scores cannot have, and a cure where
    there is one."""
    lines = [(score.chart, part) for score in scores if (part := score.part("line")) is not None]
    try:
        board = _board(drill)
    except UnplayableError as wrong:
        return wrong
    return _out_of_reach(drill, board, lines, error)


def _hands(drill: Drill, tracks: Sequence[Chart]) -> Iterator[tuple[Solution, ...]]:
    """The fingerings of every track, where they are asked for.  Raises UnplayableError."""
    from drillgen.lines.kinds import line
    from drillgen.sheet.fingering import FingeringError
    from drillgen.sheet.reader import shows_line, solutions

    wanted = _wanted(drill)
    if wanted is None or not shows_line(drill):
        return
    board = _board(drill)
    lines = [(chart, part) for chart in tracks if (part := line(chart)) is not None]
    for chart, part in lines:
        if drill.sheet.fingering is None and chart.tempo != drill.tempos[0]:
            return  # a tablature stands on the sheet alone, which all tempos share
        try:
            yield solutions(chart, _as_read(drill, chart, part), wanted)
        except FingeringError as error:
            raise _out_of_reach(drill, board, lines, error) from error


def _wanted(drill: Drill) -> Fingering | None:
    return drill.sheet.fingering or (Fingering() if drill.sheet.tablature else None)


def _board(drill: Drill) -> Fretboard:
    """The bass that a drill is fingered for.  Raises UnplayableError where there is none such."""
    from drillgen.sheet.fingering import FingeringError
    from drillgen.sheet.reader import fretboard
    from drillgen.sheet.sheets import check_tablature

    spec, wanted = drill.sheet, _wanted(drill)
    assert drill.line is not None and wanted is not None
    path = _TABLATURE
    try:
        if spec.tablature:
            check_tablature(spec, drill.line.instrument)
        path = _STRINGS if spec.fingering else _TABLATURE
        return fretboard(spec.instrument or drill.line.instrument, wanted)
    except FingeringError as error:
        raise UnplayableError((path, str(error))) from error


def _as_read(drill: Drill, chart: Chart, line: Part) -> Part:
    from drillgen.sheet.reader import read_by, reader_of

    return read_by(chart, line, reader_of(drill.sheet, line.instrument))


def _out_of_reach(
    drill: Drill,
    board: Fretboard,
    lines: Sequence[tuple[Chart, Part]],
    error: FingeringError,
) -> UnplayableError:
    cure = _cure(drill, board, lines)
    path = _FINGERING if drill.sheet.fingering else _TABLATURE
    return UnplayableError((path, f"{error}; {cure}" if cure else str(error)))


def _cure(drill: Drill, board: Fretboard, lines: Sequence[tuple[Chart, Part]]) -> str:
    """A range in which the line lies on the bass, where it does not and there is one."""
    from drillgen.chart import charts
    from drillgen.drill.fields import Range
    from drillgen.drill.sheet import INSTRUMENTS
    from drillgen.lines.kinds import line as write

    line = drill.line
    if line is None or all(_lies_on(drill, board, *each) for each in lines):
        return ""
    own = line.range or Range(INSTRUMENTS[line.instrument].low, INSTRUMENTS[line.instrument].high)
    low = max(board.strings[0], own.low, key=lambda pitch: pitch.midi)
    high = min(board.strings[-1].octaves(1), own.high, key=lambda pitch: pitch.midi)
    if high.midi - low.midi < 12:
        low, high = board.strings[0], board.strings[-1].octaves(1)
    moved = line.model_copy(update={"range": Range(low, high)})
    other = drill.model_copy(update={"line": moved, "tempos": drill.tempos[:1]})
    written = ((chart, write(chart)) for chart in charts(other))
    if not all(_lies_on(other, board, chart, part) for chart, part in written if part is not None):
        return ""
    return f"write line: {{range: {low} to {high}}}"


def _lies_on(drill: Drill, board: Fretboard, chart: Chart, line: Part) -> bool:
    """Whether every note has a place on the bass."""
    low, high = board.strings[0].midi, board.strings[-1].midi + board.frets
    return all(low <= note.pitch.midi <= high for note in _as_read(drill, chart, line).notes)
