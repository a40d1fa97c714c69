"""One track made: its audio in every form asked for, its MIDI, its entry."""

from __future__ import annotations

import socket
from collections.abc import Iterator, Sequence
from contextlib import suppress
from math import isfinite
from typing import Any

from drillgen.midi import midi_files
from drillgen.pack import manifest
from drillgen.pack.files import PackError, write_whole
from drillgen.pack.looping import JUMPS, Loop, climbs, loops
from drillgen.pack.mixes import Mix, left_out, mixes
from drillgen.pack.recording import Recording, Studio
from drillgen.pack.tagging import loop_tags, tags
from drillgen.pack.tasks import Entry, Place
from drillgen.pack.track import Track
from drillgen.pack.tracks import TrackJob
from drillgen.pack.trial import SILENT
from drillgen.score import PartName
from drillgen.sound.render import MixReport, RenderReport
from drillgen.sound.soundfonts import Soundfont, find_soundfonts, sha256_of

_LINE: frozenset[PartName] = frozenset({"line"})


def make_track(job: TrackJob, track: Track, place: Place) -> Entry:
    """Write a track's files; returns its entry."""
    if not any(voice.notes for voice in track.performance.voices):
        raise PackError(SILENT)
    font = here(job.soundfont, job.sha256)
    studio = Studio(track.performance, place, font, job.settings)
    wanted = tuple(mixes(track.parts, job.settings.mixes, job.settings.stems))
    rendered, files = _audio(job, track, wanted, studio)
    for loop in loops(track) if job.settings.loops else ():
        _merge(files, _loop(job, track, loop, wanted, studio))
    files |= _midi(place, track)
    warnings = [*rendered.warnings, *_left_out(job, track)]
    return manifest.entry(track, files, _sound(wanted, rendered, warnings, job, font))


def _left_out(job: TrackJob, track: Track) -> Iterator[str]:
    """What was asked for and is not made of this track."""
    yield from left_out(track.parts, job.settings.mixes)
    if job.settings.loops and climbs(track):
        yield JUMPS


def here(font: Soundfont, sha256: str) -> Soundfont:
    """A soundfont as it lies on this machine.  Raises PackError, which names the machine."""
    with suppress(Exception):
        if sha256_of(font.path) == sha256:
            return font
    for other in find_soundfonts():
        if other.sha256 == sha256:
            return other
    raise PackError(
        f"{socket.gethostname()} has no soundfont with the SHA-256 {sha256} ({font.name}):"
        f" copy {font.path.name} into its soundfonts folder"
    )


def _audio(
    job: TrackJob, track: Track, wanted: Sequence[Mix], studio: Studio
) -> tuple[RenderReport, dict[str, Any]]:
    def recording(mix: Mix) -> Recording:
        label = "" if mix.role == "play-along" else mix.role
        said = tags(track.chart, label, job.album, job.planned.number, job.soundfont)
        return Recording(mix, mix.path(track.folder, track.name), said)

    return studio.record([recording(mix) for mix in wanted])


def _loop(
    job: TrackJob, track: Track, loop: Loop, wanted: Sequence[Mix], studio: Studio
) -> dict[str, Any]:
    """The play-along and the demonstration of a key, going round."""

    def recording(mix: Mix) -> Recording:
        label = "" if mix.role == "play-along" else mix.role
        said = loop_tags(track.chart, loop.key, label, job.album, job.planned.number, job.soundfont)
        return Recording(loop.mix(mix), loop.path(track, mix), said)

    own = [recording(mix) for mix in wanted if mix.measured]
    return studio.record(own, (loop.start, loop.end))[1]


def _merge(files: dict[str, Any], more: dict[str, Any]) -> None:
    for role, names in more.items():
        files.setdefault(role, {}).update(names)


def _midi(place: Place, track: Track) -> dict[str, str]:
    title = track.chart.drill.title
    versions = {"midi": (".mid", _LINE)}
    if track.score.part("line") is not None:
        versions["midi with line"] = (" with line.mid", frozenset())
    contents = midi_files(track.performance, title, (left_out for _, left_out in versions.values()))
    for (ending, _), content in zip(versions.values(), contents, strict=True):
        write_whole(place.folder / track.file(ending), content)
    return {role: str(track.file(ending)) for role, (ending, _) in versions.items()}


def _sound(
    wanted: Sequence[Mix],
    rendered: RenderReport,
    warnings: Sequence[str],
    job: TrackJob,
    font: Soundfont,
) -> Entry:
    reports = zip(wanted, rendered.mixes, strict=True)
    return {
        "sample_rate": rendered.sample_rate,
        "loudness": {mix.role: _loudness(report) for mix, report in reports if mix.measured},
        "soundfont": {"name": font.name, "licence": font.licence, "sha256": font.sha256},
        "synthesiser": f"FluidSynth {rendered.library_version}",
        **({"reference": True} if job.settings.reference else {}),
        **({"warnings": warnings} if warnings else {}),
    }


def _loudness(mix: MixReport) -> dict[str, float | None]:
    """None where the mix is silent: JSON has no infinity."""
    measured = {"lufs": mix.lufs, "true_peak_dbtp": mix.true_peak_db}
    return {name: round(value, 2) if isfinite(value) else None for name, value in measured.items()}
