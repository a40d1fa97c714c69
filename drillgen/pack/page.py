"""The tasks of the practice page: each drill's files, then the document over all of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from drillgen.drill.models import Drill, key_of_bars
from drillgen.pack.cache_key import cache_key_of, program
from drillgen.pack.files import PackError
from drillgen.pack.naming import Planned, PlayedTrack
from drillgen.pack.settings import Extras
from drillgen.pack.sheets import engravers, papers
from drillgen.pack.tasks import ManifestEntry, PackTask, Workspace
from drillgen.pack.track import writing_task
from drillgen.page.models import FOLDER, INDEX
from drillgen.sound.soundfonts import Soundfont

if TYPE_CHECKING:
    from drillgen.pack.sheets import DrillSheets
    from drillgen.page.models import Picture, Take
    from drillgen.sheet.sheets import Sheet, Sheets
    from drillgen.theory.keys import Key


SECTION, OVER_ALL = "page", "index"
_WEIGHT = 220.0  # seconds of music that take as long to render as a drill's part of the page
_NARROW = 2  # bars a system where the page is a phone's


@dataclass(frozen=True, slots=True)
class PageJob:
    """A drill on the page."""

    drill: Drill
    folder: str
    soundfont: Soundfont
    sheets: bool  # whether there are sheets to be linked


@dataclass(frozen=True, slots=True)
class IndexJob:
    """The document: the entries of the drills, in order."""

    title: str
    drills: tuple[ManifestEntry, ...]
    soundfont: str
    licence: str
    room: str | float
    alone: Path | None  # the pack, where a page in one file is asked for as well


def page_tasks(
    drills: Sequence[tuple[Drill, str]],
    tracks: Sequence[Planned],
    composing: Sequence[PackTask],
    soundfont: Soundfont,
    extras: Extras,
) -> tuple[PackTask, ...]:
    """A task for each drill with its folder, from the tracks there and its sheets as they are
    composed.  Raises SoundError where there is no FluidSynth."""
    from drillgen.sound.library import library

    base = (program(), engravers(), library().version, soundfont.fingerprints, extras.sheets)
    return tuple(
        PackTask(
            key=cache_key_of(*base, drill, folder),
            section=SECTION,
            folder=folder,
            label=f"{folder}: page",
            weight=_WEIGHT,
            work=_make,
            job=PageJob(drill, folder, soundfont, extras.sheets),
            needs=(composed, *_written(tracks, folder)),
        )
        for (drill, folder), composed in zip(drills, composing, strict=True)
    )


def _written(tracks: Sequence[Planned], folder: str) -> Iterator[PackTask]:
    return (writing_task(track, band=True) for track in tracks if track.folder == folder)


def index_task(job: IndexJob) -> PackTask:
    """The task of the document over the drills' entries."""
    said = (job.title, job.drills, job.soundfont, job.licence, job.room, job.alone is not None)
    key = cache_key_of(program(), *said)
    return PackTask(key, OVER_ALL, "", "the page", 1.0, _write_index, job, here=True)


def _make(
    job: PageJob, place: Workspace, composed: DrillSheets, *tracks: PlayedTrack
) -> ManifestEntry:
    from drillgen.pack.recording import here
    from drillgen.page.html import write_drill
    from drillgen.page.models import Stand

    found, warning = composed.sheets, composed.warning
    stand = Stand(
        folder=job.folder,
        keys=_keys(job.drill),
        takes=_takes(job.drill, tracks),
        pictures=_pictures(found, job.drill),
        shown_in=found.handout.shown_in,
        papers=papers(job.folder, found) if job.sheets else (),
    )
    font = here(job.soundfont, job.soundfont.sha256)
    entry = write_drill(place.folder, stand, font, place.jobs)
    return entry | ({"warnings": [warning]} if warning else {})


def _takes(drill: Drill, tracks: Sequence[PlayedTrack]) -> tuple[Take, ...]:
    """Every track as it is played, each of them one of the whole drill's."""
    from drillgen.chart import charts
    from drillgen.page.models import Take

    return tuple(
        Take(chart, replace(track.score, chart=chart), replace(track.performance, chart=chart))
        for chart, track in zip(charts(drill), tracks, strict=True)
    )


def _keys(drill: Drill) -> tuple[Key, ...]:
    """Those of all takes: bars that are taken out of one lie in a single key."""
    one = drill.bars is not None and drill.tracks == "together"
    return (key_of_bars(drill, drill.bars),) if drill.bars and one else drill.key_cycle


def _pictures(found: Sheets, drill: Drill) -> tuple[Picture, ...]:
    """Those of the handout and of the answers, which the page of a dictated line has not."""
    from drillgen.page.models import Picture

    handed = _strips(found.handout)
    shown = None if drill.line and drill.line.dictation else found.revealed
    answers = _strips(shown) if shown else [("", "")] * len(handed)
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


def _write_index(job: IndexJob, place: Workspace) -> ManifestEntry:
    from drillgen.page.html import write_alone, write_index
    from drillgen.page.models import Licence

    licence = Licence(job.soundfont, job.licence)
    names = write_index(place.folder, job.title, job.drills, licence, room=job.room)
    if job.alone is not None:
        try:
            names += write_alone(
                place.folder, job.alone, job.title, job.drills, licence, room=job.room
            )
        except (ValueError, RecursionError) as error:
            raise PackError(
                f"{job.alone / FOLDER} has a script that no build has written:"
                " remove that folder, and build its drills again"
            ) from error
    return {"files": {"index": INDEX, "parts": names}}
