"""Tasks for several processes of this machine, in rounds.

The parts of all tracks are written first, then every note that they need is rendered once, then
everything is made.  So no two processes render the same note, and the page takes the parts as they
were written for the tracks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from drillgen.pack.paging import PageJob
from drillgen.pack.plan import Planned
from drillgen.pack.tasks import Entry, Place, Task, task_folder
from drillgen.pack.tracks import MIXING, NOTES, WRITING, TrackJob
from drillgen.sound.soundfonts import Soundfont

_WRITTEN = "track.pickle"


@dataclass(frozen=True, slots=True)
class NotesJob:
    """The tracks of which the notes are to be rendered, where each is written, and the sound."""

    tracks: tuple[tuple[Planned, Path], ...]
    soundfont: Soundfont


def rounds(tasks: Sequence[Task], making: Path) -> Iterator[tuple[Task, ...]]:
    """The tasks of one stage, for processes that share the folder `making`."""
    tracks = [task for task in tasks if isinstance(task.job, TrackJob)]
    if len(tracks) > 1:
        written = [_writing(task) for task in tracks]
        yield tuple(written)
        paths = {
            task.address: task_folder(making, writing) / _WRITTEN
            for task, writing in zip(tracks, written, strict=True)
        }
        yield (_notes(tracks, paths),)
        tasks = [_with_written(task, tracks, paths) for task in tasks]
    yield tuple(_in_turn(tasks))


def _in_turn(tasks: Sequence[Task]) -> Iterator[Task]:
    """Drill after drill.  After the first track, which can be heard at once, what takes long: no
    process shall be left with that alone at the end."""
    whole = [task for task in tasks if not task.folder]
    for folder in dict.fromkeys(task.folder for task in tasks if task.folder):
        own = [task for task in tasks if task.folder == folder]
        tracks = [task for task in own if isinstance(task.job, TrackJob)]
        others = [task for task in own if not isinstance(task.job, TrackJob)]
        yield from tracks[:1]
        yield from whole
        whole = []
        yield from sorted(others, key=lambda task: -task.weight)
        yield from tracks[1:]
    yield from whole


def _with_written(task: Task, tracks: Sequence[Task], paths: dict[str, Path]) -> Task:
    """A task that is told where the parts that it needs lie."""
    if isinstance(task.job, TrackJob):
        return replace(task, job=replace(task.job, written=paths[task.address]))
    if isinstance(task.job, PageJob):
        own = tuple(paths[track.address] for track in tracks if track.folder == task.folder)
        return replace(task, job=replace(task.job, written=own))
    return task


def _writing(task: Task) -> Task:
    return replace(
        task,
        address=f"w{task.address}",
        section="",
        weight=task.weight / MIXING * WRITING,
        work=_write,
        job=task.job.planned,
    )


def _notes(tracks: Sequence[Task], paths: dict[str, Path]) -> Task:
    weight = sum(task.weight for task in tracks) / MIXING * NOTES
    played = tuple((task.job.planned, paths[task.address]) for task in tracks)
    job = NotesJob(played, tracks[0].job.soundfont)
    return Task(f"n{tracks[0].address}", "", "", "the notes", weight, _prepare, job)


def _write(planned: Planned, place: Place) -> Entry:
    from drillgen.pack.track import keep, played

    keep(played(planned), place.folder / _WRITTEN)
    return {}


def _prepare(job: NotesJob, place: Place) -> Entry:
    from drillgen.pack.track import played
    from drillgen.sound.render import prepare_notes

    performances = [played(*track).performance for track in job.tracks]
    prepare_notes(performances, job.soundfont, place.jobs, lambda done, what: place.report(done))
    return {}
