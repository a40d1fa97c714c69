"""The tasks of what goes with a whole pack: notes to read first, and playlists."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from drillgen.audio.playlist import PlaylistEntry, write_playlist
from drillgen.pack.address import address_of, program
from drillgen.pack.files import write_whole
from drillgen.pack.notes import NAME, notes_bytes, notes_text
from drillgen.pack.tasks import Entry, Place, Task

NOTES, PLAYLISTS = "notes", "playlists"
# A playlist's file for each role of a track's files: what to hear, then what to play over.
_LISTS = {"with line": "Listen.m3u8", "play-along": "Play along.m3u8"}


@dataclass(frozen=True, slots=True)
class NotesJob:
    """What is said in the notes."""

    title: str
    note: str
    tracks: tuple[Entry, ...]
    others: tuple[str, ...]  # the pack's other files for a reader


@dataclass(frozen=True, slots=True)
class ListJob:
    """What is on a playlist: each file with its title and its seconds."""

    name: str
    items: tuple[tuple[str, str, float], ...]


def notes_task(title: str, note: str, tracks: Sequence[Entry], others: Sequence[str]) -> Task:
    """The task of the text to read first."""
    job = NotesJob(title, note, tuple(tracks), tuple(others))
    address = address_of(program(), title, note, job.tracks, job.others)
    return Task(address, NOTES, "", NAME, 1.0, _write_notes, job, here=True)


def list_names() -> tuple[str, ...]:
    """What playlists are called."""
    return tuple(_LISTS.values())


def playlist_tasks(tracks: Sequence[Entry]) -> tuple[Task, ...]:
    """The tasks of the playlists; none where there is one track alone."""
    if len(tracks) < 2:
        return ()
    jobs = [ListJob(name, tuple(_items(tracks, role))) for role, name in _LISTS.items()]
    return tuple(
        Task(
            address_of(program(), job),
            PLAYLISTS,
            "",
            job.name,
            1.0,
            _write_list,
            job,
            here=True,
        )
        for job in jobs
        if job.items
    )


def _items(tracks: Sequence[Entry], role: str) -> list[tuple[str, str, float]]:
    found = []
    for track in tracks:
        files: Mapping[str, Any] = track["files"]
        name = files.get(role)
        if isinstance(name, str):
            stem = name.rpartition("/")[2].rpartition(".")[0]
            found.append((name, stem, float(track["seconds"])))
    return found


def _write_notes(job: NotesJob, place: Place) -> Entry:
    text = notes_text(job.title, job.tracks, job.others, note=job.note)
    write_whole(place.folder / NAME, notes_bytes(text))
    return {"files": {"notes": NAME}}


def _write_list(job: ListJob, place: Place) -> Entry:
    folder = place.folder
    listed = [PlaylistEntry(folder / name, title, seconds) for name, title, seconds in job.items]
    write_playlist(folder / job.name, listed)
    return {"files": {"playlist": job.name}}
