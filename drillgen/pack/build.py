"""From drills to a pack: plan, do what is not done yet, and say what was made."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from drillgen.drill.lesson import Lesson
from drillgen.pack.cluster import checked
from drillgen.pack.files import PackError, reason
from drillgen.pack.ledger import Ledger
from drillgen.pack.meter import Meter, Progress
from drillgen.pack.naming import Folders, Place, lesson_folders
from drillgen.pack.notes import heard_first
from drillgen.pack.printing import sheet_tasks
from drillgen.pack.run import Run, UnfinishedError
from drillgen.pack.settings import Options, Settings
from drillgen.pack.site import site
from drillgen.pack.stages import Order, elsewhere
from drillgen.pack.strangers import refuse_strangers
from drillgen.pack.tracks import SECTION
from drillgen.pack.trial import refuse_unplayable
from drillgen.pack.zipped import zip_pack, zip_path
from drillgen.page.models import ALONE, INDEX
from drillgen.sound.fluidsynth import library
from drillgen.sound.soundfonts import SoundfontChoice, choose

__all__ = ["Options", "Pack", "Settings", "UnfinishedError", "build"]


@dataclass(frozen=True, slots=True)
class Pack:
    """What is there now."""

    folder: Path
    tracks: tuple[Path, ...]  # the play-along of each track
    first: Path  # what to open first
    alone: Path | None  # the page in one file, where that was asked for
    packed: Path | None  # the zip, where one was asked for
    others: tuple[str, ...]  # folders of other drills, from earlier builds
    music: float  # seconds of all tracks
    made: int  # how many tracks were made; the others were there
    took: float  # seconds
    soundfont: SoundfontChoice
    warnings: tuple[str, ...]


def build(
    lesson: Lesson, out: Path, options: Options | None = None, progress: Progress | None = None
) -> Pack:
    """Bring a lesson's pack in a folder up to date, each file whole or not at all.

    What the folder has already, and would not come out otherwise, is not made again.  Tracks of
    other drills that its manifest lists stay.  Where this is interrupted, what is finished is kept,
    and the next build goes on from there.

    Raises:
        DrillgenError: a drill cannot be played, the folder cannot be written or has something of
            somebody else's in it, no sound can be made, or, an UnfinishedError, some of the tracks
            could not be made.
    """
    began = time.perf_counter()
    options = options or Options()
    settings = options.settings.checked()
    if options.cluster is not None:
        checked(options.cluster)
    choice = choose(options.soundfont)
    library()
    refuse_unplayable(lesson, _unprinted(lesson, out) if options.extras.sheets else ())
    with _plain_words(out), site(out) as place:
        ledger = Ledger(out, lesson.title)
        folders = _folders(lesson, ledger)
        replaced = frozenset({*folders.names, *folders.replaced})
        extras, font = options.extras, choice.soundfont
        order = Order(lesson, folders.names, replaced, out, settings, extras, font)
        refuse_strangers(order, ledger)
        run = Run(order, options, place, ledger, Meter(progress))
        run.through(replaced)
        packed = zip_pack(out, zip_path(out), ledger.files()) if extras.zip else None
        others = elsewhere(order, ledger.entries(SECTION, replaced))
        return _pack(order, run, choice, packed, others, began)


def _unprinted(lesson: Lesson, out: Path) -> frozenset[int]:
    """The drills whose sheets are still to be made; what is printed can be played."""
    ledger = Ledger(out, lesson.title)
    drills = zip(lesson.drills, _folders(lesson, ledger).names, strict=True)
    tasks = sheet_tasks(tuple(drills))
    return frozenset(index for index, task in enumerate(tasks) if not ledger.has(task))


def _folders(lesson: Lesson, ledger: Ledger) -> Folders:
    """Each drill's folder, where other drills may have theirs."""
    places = {
        entry["folder"]: Place(entry["folder"], str(entry.get("drill", "")))
        for entry in ledger.entries(SECTION)
        if entry.get("folder")
    }
    return lesson_folders([drill.title for drill in lesson.drills], tuple(places.values()))


@contextmanager
def _plain_words(out: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise PackError(f"cannot write into {out}: {reason(error)}") from error


def _pack(
    order: Order,
    run: Run,
    choice: SoundfontChoice,
    packed: Path | None,
    others: Sequence[str],
    began: float,
) -> Pack:
    entries = run.tracks()
    main = [order.pack / entry["files"]["play-along"] for entry in entries]
    return Pack(
        folder=order.pack,
        tracks=tuple(main),
        first=order.pack / (INDEX if order.extras.page else heard_first(entries[0])),
        alone=order.pack / ALONE if order.extras.alone else None,
        packed=packed,
        others=tuple(others),
        music=sum(entry["seconds"] for entry in entries),
        made=run.made,
        took=time.perf_counter() - began,
        soundfont=choice,
        warnings=run.warnings(),
    )
