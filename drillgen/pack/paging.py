"""The tasks of the practice page: each drill's files, then the document over all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from drillgen.drill.models import Drill
from drillgen.pack.address import address_of, program
from drillgen.pack.printing import engravers, papers
from drillgen.pack.settings import Extras
from drillgen.pack.tasks import Entry, Place, Task
from drillgen.page.models import INDEX
from drillgen.sound.soundfonts import Soundfont

if TYPE_CHECKING:
    from drillgen.page.models import Picture, Take
    from drillgen.score import Score
    from drillgen.sheet.sheets import Sheet, Sheets

SECTION, OVER_ALL = "page", "index"
# Rooms of the program that the page does not follow from.
_ELSEWHERE = ("cli.py", "commands", "midi.py", "presets", "progress.py", "share")
_WEIGHT = 220.0  # seconds of music that take as long to render as a drill's part of the page
_NARROW = 2  # bars a system where the page is a phone's


@dataclass(frozen=True, slots=True)
class PageJob:
    """A drill on the page."""

    drill: Drill
    folder: str
    soundfont: Soundfont
    sheets: bool  # whether there are sheets to be linked
    written: tuple[Path, ...] = ()  # where its tracks' parts lie, if they have been written already


@dataclass(frozen=True, slots=True)
class IndexJob:
    """The document: the entries of the drills, in order."""

    title: str
    drills: tuple[Entry, ...]
    soundfont: str
    licence: str
    room: str | float
    alone: Path | None  # the pack, where a page in one file is asked for as well


def page_tasks(
    drills: Sequence[tuple[Drill, str]], soundfont: Soundfont, extras: Extras
) -> tuple[Task, ...]:
    """A task for each drill with its folder.  Raises SoundError where there is no FluidSynth."""
    from drillgen.sound.fluidsynth import library

    base = (program(*_ELSEWHERE), engravers(), library().version, soundfont.sha256, extras.sheets)
    return tuple(
        Task(
            address=address_of(*base, drill, folder),
            section=SECTION,
            folder=folder,
            label=f"{folder}: page",
            weight=_WEIGHT,
            work=_make,
            job=PageJob(drill, folder, soundfont, extras.sheets),
        )
        for drill, folder in drills
    )


def index_task(job: IndexJob) -> Task:
    """The task of the document over the drills' entries."""
    said = (job.title, job.drills, job.soundfont, job.licence, job.room, job.alone is not None)
    address = address_of(program(*_ELSEWHERE), *said)
    return Task(address, OVER_ALL, "", "the page", 1.0, _write_index, job, here=True)


def _make(job: PageJob, place: Place) -> Entry:
    from drillgen.pack.making import here
    from drillgen.page.html import write_drill
    from drillgen.page.models import Stand

    takes = _takes(job)
    found, warning = _sheets([take.score for take in takes])
    stand = Stand(
        folder=job.folder,
        keys=job.drill.key_cycle,
        takes=takes,
        pictures=_pictures(found),
        shown_in=found.handout.shown_in,
        papers=papers(job.folder, found) if job.sheets else (),
    )
    font = here(job.soundfont, job.soundfont.sha256)
    entry = write_drill(place.folder, stand, font, place.jobs)
    return entry | ({"warnings": [warning]} if warning else {})


def _takes(job: PageJob) -> tuple[Take, ...]:
    """Every track of the drill as it is played."""
    from drillgen.chart import charts
    from drillgen.pack.track import performed
    from drillgen.page.models import Take

    whole = charts(job.drill)
    paths = job.written if len(job.written) == len(whole) else [None] * len(whole)
    charted = zip(whole, paths, strict=True)
    return tuple(Take(chart, *performed(chart, path)) for chart, path in charted)


def _sheets(scores: Sequence[Score]) -> tuple[Sheets, str]:
    """The sheets to be shown, and why they lack a hand where none can play the line."""
    from drillgen.sheet.fingering import FingeringError
    from drillgen.sheet.sheets import sheets

    try:
        return sheets(scores), ""
    except FingeringError as error:
        drill = scores[0].chart.drill
        bare = drill.sheet.model_copy(update={"fingering": None, "tablature": False})
        plain = drill.model_copy(update={"sheet": bare})
        charts = [replace(score.chart, drill=plain) for score in scores]
        shown = [replace(s, chart=chart) for s, chart in zip(scores, charts, strict=True)]
        said = f'"{drill.title}" is on the page without its fingering or tablature: {error}'
        return sheets(shown), said


def _pictures(found: Sheets) -> tuple[Picture, ...]:
    from drillgen.page.models import Picture

    handed = _strips(found.handout)
    answers = _strips(found.revealed) if found.revealed else [("", "")] * len(handed)
    return tuple(
        Picture(wide, narrow, answer, narrow_answer)
        for (wide, narrow), (answer, narrow_answer) in zip(handed, answers, strict=True)
    )


def _strips(sheet: Sheet) -> list[tuple[str, str]]:
    """Each key for wide and for narrow pages; the page brings the font."""
    from drillgen.sheet.svg import strips

    wide = strips(sheet.sections, fonts=False)
    narrow = strips(sheet.sections, bars_a_system=_NARROW, fonts=False)
    return [(one.svg, other.svg) for one, other in zip(wide, narrow, strict=True)]


def _write_index(job: IndexJob, place: Place) -> Entry:
    from drillgen.page.html import write_alone, write_index
    from drillgen.page.models import Licence

    licence = Licence(job.soundfont, job.licence)
    names = write_index(place.folder, job.title, job.drills, licence, room=job.room)
    if job.alone is not None:
        names += write_alone(place.folder, job.alone, job.title, job.drills, licence, room=job.room)
    return {"files": {"index": INDEX, "parts": names}}
