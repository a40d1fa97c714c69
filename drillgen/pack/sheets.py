"""The sheets of a pack: each drill's fingered and composed once, then printed as MusicXML, PDF and
SVG, and bound in a lesson's booklet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from drillgen.drill.lesson import Lesson
from drillgen.drill.models import Drill
from drillgen.pack.cache_key import cache_key_of, program
from drillgen.pack.files import write_whole
from drillgen.pack.naming import BOOKLET, Planned, PlayedTrack
from drillgen.pack.tasks import ManifestEntry, PackTask, Workspace
from drillgen.pack.track import writing_task

if TYPE_CHECKING:
    from drillgen.score import Score
    from drillgen.sheet.sheets import Sheet, Sheets


SECTION, BOOKLET_SECTION = "sheets", "booklet"
# Seconds of music that take as long to render as a drill's sheets to compose, and to set.
_COMPOSING, _WEIGHT = 20.0, 120.0
_LETTERS = 40  # that are named where no font has them


@dataclass(frozen=True, slots=True)
class DrillSheets:
    """The sheets of a drill, and what is to be said of them."""

    sheets: Sheets
    warning: str = ""


@dataclass(frozen=True, slots=True)
class ComposeJob:
    """A drill whose sheets are to be composed."""

    drill: Drill
    printed: bool  # what no hand can play is refused; else it is shown without the hand


def composing_task(
    drill: Drill, number: int, tracks: Sequence[Planned], *, printed: bool
) -> PackTask:
    """The task of a drill's sheets, from all of its tracks: its value is a `DrillSheets`.

    `number`: of the drill in its lesson, from 0.  All tempos share the sheets of the first.
    """
    first = [planned for planned in tracks if planned.drill.tempos[0] == drill.tempos[0]]
    return PackTask(
        f"sheets {number}",
        "",
        first[0].folder,
        f"{first[0].folder}: sheets",
        _COMPOSING,
        _compose,
        ComposeJob(drill, printed),
        needs=tuple(writing_task(planned, band=False) for planned in first),
    )


def _compose(job: ComposeJob, place: Workspace, *tracks: PlayedTrack) -> DrillSheets:
    """Raises UnplayableError where a printed sheet asks for what no hand can play."""
    from drillgen.chart import charts
    from drillgen.pack.preflight import explained
    from drillgen.sheet.fingering import FingeringError

    # Charts of the whole drill: the tracks' own know no other tempo, which the sheets' heads name.
    whole = charts(job.drill)[: len(tracks)]
    scores = [replace(t.score, chart=chart) for t, chart in zip(tracks, whole, strict=True)]
    try:
        return DrillSheets(_sheets(scores))
    except FingeringError as error:
        if job.printed:
            raise explained(job.drill, scores, error) from error
        said = f'"{job.drill.title}" is on the page without its fingering or tablature: {error}'
        return DrillSheets(_sheets([_bare(score) for score in scores]), said)


def _sheets(scores: Sequence[Score]) -> Sheets:
    """With their MusicXML, which is kept with them."""
    from drillgen.sheet.sheets import sheets

    found = sheets(scores)
    for sheet in found.all:
        _ = sheet.musicxml, [section.musicxml for section in sheet.sections]
    return found


def _bare(score: Score) -> Score:
    """Without the hand that its sheet asks for."""
    drill = score.chart.drill
    spec = drill.sheet.model_copy(update={"fingering": None, "tablature": False})
    chart = replace(score.chart, drill=drill.model_copy(update={"sheet": spec}))
    return replace(score, chart=chart)


@dataclass(frozen=True, slots=True)
class SheetJob:
    """A drill whose sheets are printed."""

    drill: Drill
    folder: str


def sheet_tasks(
    drills: Sequence[tuple[Drill, str]], composing: Sequence[PackTask]
) -> tuple[PackTask, ...]:
    """A task for the sheets of each drill with its folder, which another task composes."""
    return tuple(
        PackTask(
            key=cache_key_of(program(), engravers(), drill, folder),
            section=SECTION,
            folder=folder,
            label=f"{folder}: sheets",
            weight=_WEIGHT,
            work=_print,
            job=SheetJob(drill, folder),
            needs=(composed,),
        )
        for (drill, folder), composed in zip(drills, composing, strict=True)
    )


def booklet_tasks(lesson: Lesson, composing: Sequence[PackTask]) -> tuple[PackTask, ...]:
    """The task of a lesson's booklet from its drills' sheets; none for a single drill."""
    if len(lesson.drills) < 2:
        return ()
    lesson = replace(lesson, written=())  # what it was read from is not printed
    key = cache_key_of(program(), engravers(), lesson)
    weight = _WEIGHT * len(lesson.drills)
    needs = tuple(composing)
    return (PackTask(key, BOOKLET_SECTION, "", "the booklet", weight, _bind, lesson, needs=needs),)


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


def _print(job: SheetJob, place: Workspace, composed: DrillSheets) -> ManifestEntry:
    from drillgen.sheet.glyphs import lacking
    from drillgen.sheet.pdf import pdf
    from drillgen.sheet.svg import whole_svg

    files, lacks = {}, ""
    for sheet in composed.sheets.all:
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
        lacks += lacking(forms["pdf"], _words(sheet))
    entry = {"drill": job.drill.title, "folder": job.folder, "files": files}
    return entry | _warnings(job.drill.title, lacks)


def _words(sheet: Sheet) -> str:
    """What is printed of a person's own words."""
    return "".join([sheet.title, sheet.note, *(section.label for section in sheet.sections)])


def _warnings(title: str, lacks: str) -> dict[str, list[str]]:
    letters = "".join(dict.fromkeys(lacks))[:_LETTERS]
    said = f'no font on this machine has {letters}: the PDF of "{title}" shows empty boxes for it'
    return {"warnings": [said]} if letters else {}


def _bind(lesson: Lesson, place: Workspace, *composed: DrillSheets) -> ManifestEntry:
    """The sheets of every drill in one PDF, answers after all of them."""
    from drillgen.sheet.glyphs import lacking
    from drillgen.sheet.pdf import Booklet, booklet

    drills = [each.sheets for each in composed]
    count = len(lesson.drills)
    cover = Booklet(lesson.title, tuple(filter(None, (f"{count} drills", lesson.note))))
    content = booklet(cover, list(_in_order(drills)))
    write_whole(place.folder / BOOKLET, content)
    lacks = lacking(content, "".join((lesson.title, *cover.lines)))
    own = _warnings(lesson.title, "".join(each for each in lacks if each in lesson.title))
    return {"files": {"booklet": BOOKLET}} | own


def _in_order(drills: Sequence[Sheets]) -> Iterator[Sheet]:
    yield from (found.handout for found in drills)
    yield from (found.revealed for found in drills if found.revealed is not None)
