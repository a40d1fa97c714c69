"""The tasks of a pack's tracks: written, played, rendered, tagged.

Where several are made at once, the parts of all of them are written first, then every note that
they need is rendered once, then the tracks are mixed: so no two processes render the same note.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from drillgen.pack.address import address_of, program
from drillgen.pack.plan import Planned
from drillgen.pack.settings import Settings
from drillgen.pack.tasks import Entry, Place, Task, task_folder
from drillgen.sound.soundfonts import Soundfont

if TYPE_CHECKING:
    from drillgen.pack.track import Track

SECTION = "tracks"
# Rooms of the program that a track does not follow from.
_ELSEWHERE = ("cli.py", "commands", "page", "presets", "progress.py", "share", "take")
# Of a track's work: its parts written, the notes, and the rest.
_WRITING, _NOTES, _MIXING = 0.4, 0.1, 0.5
_WRITTEN = "track.pickle"


@dataclass(frozen=True, slots=True)
class TrackJob:
    """What a track is made of."""

    planned: Planned
    album: str
    settings: Settings
    soundfont: Soundfont
    sha256: str  # of the soundfont's file
    written: Path | None = None  # where its parts lie, if they have been written already


@dataclass(frozen=True, slots=True)
class NotesJob:
    """The tracks of which the notes are to be rendered, and the sound."""

    written: tuple[Path, ...]
    soundfont: Soundfont


def track_tasks(
    planned: Sequence[Planned], album: str, settings: Settings, soundfont: Soundfont
) -> tuple[Task, ...]:
    """A task for each track.  Raises SoundError where there is no FluidSynth."""
    from drillgen.sound.library import library

    base = (program(*_ELSEWHERE), library().version, soundfont.sha256, settings, album)
    encoders = _encoders(settings.formats)
    return tuple(
        Task(
            address=address_of(*base, encoders, track),
            section=SECTION,
            folder=track.folder,
            label=track.name,
            weight=track.seconds * _MIXING,
            work=_make,
            job=TrackJob(track, album, settings, soundfont, soundfont.sha256),
        )
        for track in planned
    )


def _encoders(formats: Sequence[str]) -> tuple[str, ...]:
    """The versions of what writes compressed audio: other ones may write other bytes."""
    if set(formats) <= {"wav"}:
        return ()
    from importlib.metadata import PackageNotFoundError, version

    found = []
    for name in ("av", "lameenc", "mutagen", "soundfile"):
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    return tuple(found)


def rounds(tasks: Sequence[Task], making: Path) -> Iterator[tuple[Task, ...]]:
    """Tasks for several processes of this machine, which share the folder `making`, in rounds."""
    tracks = [task for task in tasks if isinstance(task.job, TrackJob)]
    if len(tracks) > 1:
        written = [_writing(task) for task in tracks]
        yield tuple(written)
        paths = {
            task.address: task_folder(making, writing) / _WRITTEN
            for task, writing in zip(tracks, written, strict=True)
        }
        yield (_notes(tracks, tuple(paths.values())),)
        tasks = [
            replace(task, job=replace(task.job, written=paths[task.address]))
            if task.address in paths
            else task
            for task in tasks
        ]
    yield tuple(tasks)


def _writing(task: Task) -> Task:
    return replace(
        task,
        address=f"w{task.address}",
        section="",
        weight=task.weight / _MIXING * _WRITING,
        work=_write,
        job=task.job.planned,
    )


def _notes(tracks: Sequence[Task], written: tuple[Path, ...]) -> Task:
    weight = sum(task.weight for task in tracks) / _MIXING * _NOTES
    job = NotesJob(written, tracks[0].job.soundfont)
    return Task(f"n{tracks[0].address}", "", "", "the notes", weight, _prepare, job)


def _write(planned: Planned, place: Place) -> Entry:
    from drillgen.pack.track import played

    (place.folder / _WRITTEN).write_bytes(pickle.dumps(played(planned)))
    return {}


def _prepare(job: NotesJob, place: Place) -> Entry:
    from drillgen.sound.render import prepare_notes

    performances = [pickle.loads(path.read_bytes()).performance for path in job.written]
    prepare_notes(performances, job.soundfont, place.jobs, lambda done, what: place.report(done))
    return {}


def _make(job: TrackJob, place: Place) -> Entry:
    from drillgen.pack.making import make_track

    return make_track(job, _track(job), place)


def _track(job: TrackJob) -> Track:
    from drillgen.pack.track import played

    if job.written is not None and job.written.exists():
        track: Track = pickle.loads(job.written.read_bytes())
        return track
    return played(job.planned)
