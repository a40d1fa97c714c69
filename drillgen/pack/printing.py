"""The tasks of a pack's sheets: MusicXML, PDF and SVG of each drill, and a lesson's booklet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from drillgen.drill.lesson import Lesson
from drillgen.drill.models import Drill
from drillgen.pack.address import address_of, program
from drillgen.pack.files import write_whole
from drillgen.pack.tasks import Entry, Place, Task

if TYPE_CHECKING:
    from drillgen.sheet.sheets import Sheet, Sheets

SECTION, BOOKLET = "sheets", "booklet"
BOOKLET_NAME = "booklet.pdf"
# Rooms of the program that a sheet does not follow from.
_ELSEWHERE = (
    "audio", "band", "cli.py", "commands", "midi.py", "page", "performance.py", "presets",
    "progress.py", "share", "sound", "swing.py", "timing.py", "touch.py",
)  # fmt: skip
# Seconds of music that take as long to render as a sheet to set.
_WEIGHT = 120.0


@dataclass(frozen=True, slots=True)
class SheetJob:
    """A drill whose sheets are printed."""

    drill: Drill
    folder: str


def sheet_tasks(drills: Sequence[tuple[Drill, str]]) -> tuple[Task, ...]:
    """A task for the sheets of each drill with its folder."""
    return tuple(
        Task(
            address=address_of(program(*_ELSEWHERE), engravers(), drill, folder),
            section=SECTION,
            folder=folder,
            label=f"{folder}: sheets",
            weight=_WEIGHT,
            work=_print,
            job=SheetJob(drill, folder),
        )
        for drill, folder in drills
    )


def booklet_tasks(lesson: Lesson) -> tuple[Task, ...]:
    """The task of a lesson's booklet; none for a single drill."""
    if len(lesson.drills) < 2:
        return ()
    lesson = replace(lesson, written=())  # what it was read from is not printed
    address = address_of(program(*_ELSEWHERE), engravers(), lesson)
    weight = _WEIGHT * len(lesson.drills)
    return (Task(address, BOOKLET, "", "the booklet", weight, _bind, lesson),)


@cache
def engravers() -> tuple[str, ...]:
    """The versions of what draws and sets: other ones may draw otherwise."""
    found = []
    for name in ("verovio", "typst"):
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    return tuple(found)


def papers(folder: str, found: Sheets) -> tuple[tuple[str, str], ...]:
    """What the page says of each sheet's PDF, and where that lies."""
    return tuple(
        (f"{_heading(sheet)} (PDF)", f"{folder}/{_name(sheet)}.pdf") for sheet in found.all
    )


def _heading(sheet: Sheet) -> str:
    """'Sheet', 'Answers', 'For Bb'."""
    name = sheet.name or "sheet"
    return name[0].upper() + name[1:]


def _name(sheet: Sheet) -> str:
    return f"sheet {sheet.name}".strip()


def _print(job: SheetJob, place: Place) -> Entry:
    from drillgen.sheet.pdf import pdf
    from drillgen.sheet.svg import whole_svg

    files = {}
    for sheet in _sheets(job.drill).all:
        forms = {
            "musicxml": sheet.musicxml.encode("utf-8"),
            "svg": whole_svg(sheet.title, sheet.sections).encode("utf-8"),
            "pdf": pdf(sheet),
        }
        name = _name(sheet)
        paths = {form: PurePosixPath(job.folder) / f"{name}.{form}" for form in forms}
        for form, content in forms.items():
            (place.folder / paths[form]).parent.mkdir(parents=True, exist_ok=True)
            write_whole(place.folder / paths[form], content)
        files[name] = {form: str(path) for form, path in paths.items()}
    return {"drill": job.drill.title, "folder": job.folder, "files": files}


def _bind(lesson: Lesson, place: Place) -> Entry:
    """The sheets of every drill in one PDF, answers after all of them."""
    from drillgen.sheet.pdf import Booklet, booklet

    drills = [_sheets(drill) for drill in lesson.drills]
    count = len(lesson.drills)
    cover = Booklet(lesson.title, tuple(filter(None, (f"{count} drills", lesson.note))))
    write_whole(place.folder / BOOKLET_NAME, booklet(cover, list(_in_order(drills))))
    return {"files": {"booklet": BOOKLET_NAME}}


def _in_order(drills: Sequence[Sheets]) -> Iterator[Sheet]:
    yield from (found.handout for found in drills)
    yield from (found.revealed for found in drills if found.revealed is not None)


def _sheets(drill: Drill) -> Sheets:
    from drillgen.chart import charts
    from drillgen.lines.kinds import line
    from drillgen.score import Score
    from drillgen.sheet.sheets import sheets

    scores = []
    for chart in charts(drill):
        part = line(chart)
        scores.append(Score(chart, (part,) if part is not None else ()))
    return sheets(scores)
