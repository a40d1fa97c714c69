"""From drills to a pack: plan, do what is not done yet, and say what was made."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from drillgen.drill.lesson import Lesson
from drillgen.drill.models import Drill
from drillgen.pack.cluster import checked
from drillgen.pack.files import PackError, reason
from drillgen.pack.ledger import Ledger
from drillgen.pack.meter import Meter, Progress
from drillgen.pack.naming import Folders, Place, lesson_folders
from drillgen.pack.run import Run, UnfinishedError
from drillgen.pack.settings import Options, Settings
from drillgen.pack.site import site
from drillgen.pack.stages import Order
from drillgen.pack.tasks import Entry
from drillgen.pack.tracks import SECTION
from drillgen.pack.zipped import zip_pack, zip_path
from drillgen.sound.soundfonts import Choice, choose

__all__ = ["Options", "Pack", "Settings", "UnfinishedError", "build"]


@dataclass(frozen=True, slots=True)
class Pack:
    """What is there now."""

    folder: Path
    tracks: tuple[Path, ...]  # the play-along of each track
    first: Path  # what to open first
    packed: Path | None  # the zip, where one was asked for
    music: float  # seconds of all tracks
    made: int  # how many tracks were made; the others were there
    took: float  # seconds
    soundfont: Choice
    warnings: tuple[str, ...]


def build(
    lesson: Lesson, out: Path, options: Options | None = None, progress: Progress | None = None
) -> Pack:
    """Bring a lesson's pack in a folder up to date, each file whole or not at all.

    What the folder has already, and would not come out otherwise, is not made again.  Tracks of
    other drills that its manifest lists stay.  Where this is interrupted, what is finished is kept,
    and the next build goes on from there.

    Raises:
        DrillgenError: the folder cannot be written, no sound can be made, or, an UnfinishedError,
            some of the tracks could not be made.
    """
    began = time.perf_counter()
    options = options or Options()
    settings = options.settings.checked()
    if options.cluster is not None:
        checked(options.cluster)
    choice = choose(options.soundfont)
    for drill in lesson.drills:
        _refuse_silence(drill)
    with _plain_words(out), site(out) as place:
        ledger = Ledger(out, lesson.title)
        folders = _folders(lesson, ledger)
        replaced = frozenset({*folders.names, *folders.replaced})
        extras, font = options.extras, choice.soundfont
        order = Order(lesson, folders.names, replaced, out, settings, extras, font)
        run = Run(order, options, place, ledger, Meter(progress))
        run.through(replaced)
        packed = zip_pack(out, zip_path(out), ledger.files()) if extras.zip else None
        return _pack(order, run, choice, packed, began)


def _refuse_silence(drill: Drill) -> None:
    """Raises PackError where nobody plays a note."""
    band = drill.band
    players = (band.drums, band.comping, band.bass, band.click)
    if drill.line is None and not drill.count_in.bars and not any(p.plays for p in players):
        raise PackError(f"{drill.title}: nothing would sound; give it a line, a band or a count-in")


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


def _pack(order: Order, run: Run, choice: Choice, packed: Path | None, began: float) -> Pack:
    entries = run.tracks()
    main = [order.pack / entry["files"]["play-along"] for entry in entries]
    warnings = dict.fromkeys(text for entry in entries for text in entry.get("warnings", ()))
    return Pack(
        folder=order.pack,
        tracks=tuple(main),
        first=order.pack / ("index.html" if order.extras.page else _heard(entries[0])),
        packed=packed,
        music=sum(entry["seconds"] for entry in entries),
        made=run.made,
        took=time.perf_counter() - began,
        soundfont=choice,
        warnings=tuple(warnings),
    )


def _heard(entry: Entry) -> str:
    """What of a track is to be heard first."""
    files = entry["files"]
    return str(files.get("with line", files["play-along"]))
