"""The tracks of a pack: each written and played once, and then recorded.

What is written and played is given as a value to all that is made of it: recordings and MIDI,
sheets, the practice page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drillgen.audio.formats import writers_of
from drillgen.pack.cache_key import cache_key_of, program
from drillgen.pack.naming import Planned, PlayedTrack
from drillgen.pack.settings import Settings, TrackJob
from drillgen.pack.tasks import ManifestEntry, PackTask, Workspace
from drillgen.sound.soundfonts import Soundfont

if TYPE_CHECKING:
    pass

SECTION = "tracks"
# Of a track's work: its parts written, its share of the notes, and the rest, which is recording.
_WRITING, _NOTES, _RECORDING = 0.4, 0.1, 0.5
_LINE = 0.3  # of the writing, where nobody but the line is written
NOTES_KEY = "notes"


@dataclass(frozen=True, slots=True)
class WriteJob:
    """A track to be written and played."""

    planned: Planned
    band: bool  # whether it is heard; else the line is all that is needed


def writing_task(planned: Planned, *, band: bool) -> PackTask:
    """The task of a track's score and performance: its value is a `PlayedTrack`."""
    weight = planned.seconds * _WRITING * (1.0 if band else _LINE)
    return PackTask(
        f"track {planned.number}",
        "",
        planned.folder,
        planned.name,
        weight,
        _write,
        WriteJob(planned, band),
    )


def _write(job: WriteJob, place: Workspace) -> PlayedTrack:
    from drillgen.arrange import arrange
    from drillgen.chart import charts
    from drillgen.lines.kinds import line
    from drillgen.performance import perform
    from drillgen.score import Score

    planned = job.planned
    (chart,) = charts(planned.drill)
    if job.band:
        score = arrange(chart)
    else:
        part = line(chart)
        score = Score(chart, (part,) if part is not None else ())
    return PlayedTrack(planned.folder, planned.name, chart, score, perform(score))


def bank_task(tracks: Sequence[PackTask], soundfont: Soundfont) -> PackTask:
    """The task of rendering every note of some tracks into the cache, before several processes
    would each render the same ones.  Its value is nothing; those who need the notes have them
    rendered where it fails."""
    weight = sum(task.weight for task in tracks) / _WRITING * _NOTES
    needs = tuple(tracks)
    return PackTask(NOTES_KEY, "", "", "the notes", weight, _render_notes, soundfont, needs=needs)


def _render_notes(soundfont: Soundfont, place: Workspace, *tracks: PlayedTrack) -> None:
    from drillgen.sound.render import prepare_notes

    performances = [track.performance for track in tracks]
    prepare_notes(performances, soundfont, place.jobs, lambda done, what: place.report(done))


def track_tasks(
    planned: Sequence[Planned], album: str, settings: Settings, soundfont: Soundfont
) -> tuple[PackTask, ...]:
    """A task for each track.  Raises SoundError where there is no FluidSynth."""
    from drillgen.sound.library import library

    base = (program(), library().version, soundfont.fingerprints, settings, album)
    encoders = writers_of(settings.formats)
    return tuple(
        PackTask(
            key=cache_key_of(*base, encoders, track),
            section=SECTION,
            folder=track.folder,
            label=track.name,
            weight=track.seconds * _RECORDING,
            work=_make,
            job=TrackJob(track, album, settings, soundfont, soundfont.sha256),
            needs=(writing_task(track, band=True),),
        )
        for track in planned
    )


def _make(job: TrackJob, place: Workspace, track: PlayedTrack) -> ManifestEntry:
    from drillgen.pack.recording import make_track

    return make_track(job, track, place)
