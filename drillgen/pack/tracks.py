"""The tasks of a pack's tracks: written, played, rendered, tagged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from drillgen.audio.formats import writers_of
from drillgen.pack.address import address_of, program
from drillgen.pack.plan import Planned
from drillgen.pack.settings import Settings
from drillgen.pack.tasks import Entry, Place, Task
from drillgen.sound.soundfonts import Soundfont

SECTION = "tracks"
# Rooms of the program that a track does not follow from.
_ELSEWHERE = ("cli.py", "commands", "page", "presets", "progress.py", "share")
# Of a track's work: its parts written, its share of the notes, and the rest, which is its task's.
WRITING, NOTES, MIXING = 0.4, 0.1, 0.5


@dataclass(frozen=True, slots=True)
class TrackJob:
    """What a track is made of."""

    planned: Planned
    album: str
    settings: Settings
    soundfont: Soundfont
    sha256: str  # of the soundfont's file
    written: Path | None = None  # where its parts lie, if they have been written already


def track_tasks(
    planned: Sequence[Planned], album: str, settings: Settings, soundfont: Soundfont
) -> tuple[Task, ...]:
    """A task for each track.  Raises SoundError where there is no FluidSynth."""
    from drillgen.sound.fluidsynth import library

    base = (program(*_ELSEWHERE), library().version, soundfont.sha256, settings, album)
    encoders = writers_of(settings.formats)
    return tuple(
        Task(
            address=address_of(*base, encoders, track),
            section=SECTION,
            folder=track.folder,
            label=track.name,
            weight=track.seconds * MIXING,
            work=_make,
            job=TrackJob(track, album, settings, soundfont, soundfont.sha256),
        )
        for track in planned
    )


def _make(job: TrackJob, place: Place) -> Entry:
    from drillgen.pack.making import make_track
    from drillgen.pack.track import played

    return make_track(job, played(job.planned, job.written), place)
