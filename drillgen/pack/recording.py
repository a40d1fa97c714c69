"""A track recorded: every mix as WAV, then in every form that was asked for, with tags; its MIDI;
and what the manifest says of it."""

from __future__ import annotations

import socket
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import PurePosixPath
from typing import Any

from drillgen.audio.formats import FORMATS, encode, tag
from drillgen.audio.tags import Chapter, Tags
from drillgen.chart import Bar, Chart
from drillgen.midi import midi_files
from drillgen.pack.files import PackError, make_folder, write_whole
from drillgen.pack.manifest import ManifestEntry
from drillgen.pack.preflight import SILENT
from drillgen.pack.settings import (
    JUMPS,
    Loop,
    Mix,
    PlayedTrack,
    TrackJob,
    TrackSettings,
    climbs,
    keys_label,
    left_out,
    loops,
    mixes,
)
from drillgen.pack.tasks import Workspace
from drillgen.performance import Performance
from drillgen.score import PartName
from drillgen.sound.known_soundfonts import strictest
from drillgen.sound.render import MixReport, MixRequest, RenderReport, render, split
from drillgen.sound.samples import source_of
from drillgen.sound.schedule import by_font
from drillgen.sound.soundfont_file import sha256_of
from drillgen.sound.soundfonts import MADE, Soundfont, find_soundfonts
from drillgen.theory.pitch import Key

_LINE: frozenset[PartName] = frozenset({"line"})


def make_track(job: TrackJob, track: PlayedTrack, place: Workspace) -> ManifestEntry:
    """Write a track's files; returns its entry."""
    if not any(voice.notes for voice in track.performance.voices):
        raise PackError(SILENT)
    font = here(job.soundfont, job.sha256)
    recorder = Recorder(track.performance, place, font, job.settings)
    wanted = tuple(mixes(track.performance.parts, job.settings.mixes, job.settings.stems))
    rendered, files = _audio(job, track, wanted, recorder)
    for loop in loops(track.chart) if job.settings.loops else ():
        _merge(files, _loop(job, track, loop, wanted, recorder))
    files |= _midi(place, track)
    warnings = [*rendered.warnings, *_left_out(job, track)]
    sound = _sound(wanted, rendered, warnings, job)
    sound |= _sounds_heard(heard(track.performance, font))
    return _entry(track, files, sound)


def _left_out(job: TrackJob, track: PlayedTrack) -> Iterator[str]:
    """What was asked for and is not made of this track."""
    yield from left_out(track.performance.parts, job.settings.mixes)
    if job.settings.loops and climbs(track.chart):
        yield JUMPS


def here(font: Soundfont, sha256: str) -> Soundfont:
    """A soundfont as it lies on this machine.  Raises PackError, which names the machine."""
    with suppress(Exception):
        if sha256_of(font.path) == sha256:
            return font
    for other in find_soundfonts():
        if other.sha256 == sha256:
            # Who chose it decides what it plays.
            return replace(other, place=font.place, others=font.others)
    raise PackError(
        f"{socket.gethostname()} has no soundfont with the SHA-256 {sha256} ({font.name}):"
        f" copy {font.path.name} into its soundfonts folder"
    )


def _audio(
    job: TrackJob, track: PlayedTrack, wanted: Sequence[Mix], recorder: Recorder
) -> tuple[RenderReport, dict[str, Any]]:
    fonts = heard(track.performance, recorder.soundfont)

    def recording(mix: Mix) -> Recording:
        label = "" if mix.role == "play-along" else mix.role
        said = tags(track.chart, label, job.album, job.planned.number, fonts)
        return Recording(mix, mix.path(track.folder, track.name), said)

    return recorder.record([recording(mix) for mix in wanted])


def _loop(
    job: TrackJob, track: PlayedTrack, loop: Loop, wanted: Sequence[Mix], recorder: Recorder
) -> dict[str, Any]:
    """The play-along and the demonstration of a key, going round."""

    fonts = heard(track.performance, recorder.soundfont)

    def recording(mix: Mix) -> Recording:
        label = "" if mix.role == "play-along" else mix.role
        said = loop_tags(track.chart, loop.key, label, job.album, job.planned.number, fonts)
        return Recording(loop.mix(mix), loop.path(track.folder, track.name, mix), said)

    own = [recording(mix) for mix in wanted if mix.measured]
    return recorder.record(own, (loop.start, loop.end))[1]


def _merge(files: dict[str, Any], more: dict[str, Any]) -> None:
    for role, names in more.items():
        files.setdefault(role, {}).update(names)


def _midi(place: Workspace, track: PlayedTrack) -> dict[str, str]:
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
) -> ManifestEntry:
    reports = zip(wanted, rendered.mixes, strict=True)
    return {
        "sample_rate": rendered.sample_rate,
        "loudness": {mix.role: _loudness(report) for mix, report in reports if mix.measured},
        "synthesiser": f"FluidSynth {rendered.library_version}",
        **({"reference": True} if job.settings.reference else {}),
        **({"warnings": warnings} if warnings else {}),
    }


def heard(performance: Performance, font: Soundfont) -> tuple[Soundfont, ...]:
    """Every soundfont whose sounds are heard in a track, the chosen one first, our own last."""
    presets = [
        preset for voice in performance.voices if voice.notes for _, preset in by_font(voice, font)
    ]
    numbers = sorted({preset.source for preset in presets}, key=lambda source: (source < 0, source))
    return tuple(source_of(font, number) for number in numbers)


def _sounds_heard(fonts: Sequence[Soundfont]) -> ManifestEntry:
    """The soundfont that is heard, what else plays beside it, and what all of them together ask."""
    first, *rest = [
        {"name": each.name, "licence": each.licence, "sha256": each.sha256} for each in fonts
    ]
    own = [said for font, said in zip(fonts[1:], rest, strict=True) if font.place == MADE]
    others = [said for font, said in zip(fonts[1:], rest, strict=True) if font.place != MADE]
    return {
        "soundfont": first,
        **({"own_sounds": own[0]} if own else {}),
        **({"other_sounds": others} if others else {}),
        "licence": strictest(font.licence for font in fonts),
    }


def _loudness(mix: MixReport) -> dict[str, float | None]:
    """None where the mix is silent: JSON has no infinity."""
    measured = {"lufs": mix.lufs, "true_peak_dbtp": mix.true_peak_db}
    return {name: round(value, 2) if isfinite(value) else None for name, value in measured.items()}


_RENDERED = 0.9  # of the progress, when the WAVs are there


def _entry(track: PlayedTrack, files: Mapping[str, Any], sound: Mapping[str, Any]) -> ManifestEntry:
    """One track's entry: `files` by role, relative to the pack; `sound`: loudness, soundfont."""
    chart = track.chart
    return {
        "drill": chart.drill.title,
        **({"note": chart.drill.note} if chart.drill.note else {}),
        "folder": track.folder,
        "tempo": _tempo(chart),
        "keys": [str(key) for key in chart.keys],
        "feel": chart.drill.feel,
        "meter": chart.drill.meter.text,
        "seconds": track.performance.seconds,
        "files": dict(files),
        "bars": list(_bars(chart)),
        "seed": chart.drill.seed,
        **sound,
    }


def _tempo(chart: Chart) -> float | dict[str, float]:
    tempo = chart.tempo
    if not tempo.step:
        return tempo.start
    return {"from": tempo.start, "to": tempo.end, "step": tempo.step}


def _bars(chart: Chart) -> Iterator[ManifestEntry]:
    for bar in chart.bars:
        yield {
            "start": chart.seconds_at(bar.start),
            "key": str(bar.key),
            "chords": _chords(bar),
            "role": bar.role,
            "pass": bar.pass_number,
        }


def _chords(bar: Bar) -> list[ManifestEntry]:
    """Each chord with the quarter note of the bar it starts on."""
    return [
        {"chord": span.chord.text if span.chord else "N.C.", "at": float(span.start - bar.start)}
        for span in bar.spans
    ]


@dataclass(frozen=True, slots=True)
class Recording:
    """One mix to be written: its place in the pack as a WAV, and what it says of itself."""

    mix: Mix
    wav: PurePosixPath
    tags: Tags


@dataclass(frozen=True, slots=True)
class Recorder:
    """Where a performance is recorded."""

    performance: Performance
    place: Workspace
    soundfont: Soundfont
    settings: TrackSettings

    def record(
        self, recordings: Sequence[Recording], loop: tuple[float, float] | None = None
    ) -> tuple[RenderReport, dict[str, Any]]:
        """Write the recordings, from one to another second where it is a loop.

        Returns what was rendered, and the names of the files: those of the main form by role (or
        under "stems", "mixes" and "loops"), those of other forms under the form's name.
        """
        rendered = self._render(recordings, loop)
        files: dict[str, Any] = {}
        for recording in recordings:
            self._encode(recording)
            _list(files, recording, self.settings.formats)
        return rendered, files

    def _render(
        self, recordings: Sequence[Recording], loop: tuple[float, float] | None
    ) -> RenderReport:
        requests = [self._request(recording) for recording in recordings]
        for request in requests:
            make_folder(request.path.parent)
        settings = self.settings
        return render(
            self.performance,
            requests,
            soundfont=self.soundfont,
            room=settings.room,
            target_lufs=settings.lufs,
            ceiling_dbtp=settings.ceiling,
            progress=lambda done, what: self.place.report(done * _RENDERED),
            jobs=self.place.jobs,
            loop=loop,
            reference=settings.reference,
        )

    def _request(self, recording: Recording) -> MixRequest:
        mix = recording.mix
        sides = split(mix.parts) if mix.split else None
        path = self.place.folder / recording.wav
        return MixRequest(mix.role, mix.parts, path, mix.measured, sides)

    def _encode(self, recording: Recording) -> None:
        """In every form; the WAV gets its tags last, for the others are made from it."""
        wav = self.place.folder / recording.wav
        for name in self.settings.formats:
            if name != "wav":
                target = self.place.folder / _named(recording.wav, name)
                encode(wav, target, name, recording.tags)
        if "wav" in self.settings.formats:
            tag(wav, recording.tags)
        else:
            wav.unlink()


def _list(files: dict[str, Any], recording: Recording, formats: Sequence[str]) -> None:
    main, *others = formats
    mix = recording.mix
    within = files.setdefault(mix.kind, {}) if mix.kind else files
    within[mix.role] = str(_named(recording.wav, main))
    role = {"stems": f"stem {mix.role}", "loops": f"loop {mix.role}"}.get(mix.kind, mix.role)
    for other in others:
        files.setdefault(other, {})[role] = str(_named(recording.wav, other))


def _named(wav: PurePosixPath, format_name: str) -> PurePosixPath:
    return wav.with_suffix(FORMATS[format_name].suffix)


def tags(chart: Chart, label: str, album: str, number: int, fonts: Sequence[Soundfont]) -> Tags:
    """The tags of a track's file; `label` says which of its mixes it is.

    The number stands without the whole count: one more drill shall not change every file.
    """
    return Tags(
        title=_title(chart, chart.keys, label),
        album=album,
        track=number,
        key=str(chart.keys[0]) if len(chart.keys) == 1 else "",
        tempo=chart.tempo.start,
        comment=chart.drill.note,
        licence=_terms(fonts),
        chapters=tuple(_chapters(chart)),
    )


def loop_tags(
    chart: Chart, key: Key, label: str, album: str, number: int, fonts: Sequence[Soundfont]
) -> Tags:
    """The tags of a loop in one of the track's keys."""
    return Tags(
        title=_title(chart, (key,), f"loop {label}".strip()),
        album=album,
        track=number,
        key=str(key),
        tempo=chart.tempo.start,
        comment=chart.drill.note,
        licence=_terms(fonts),
        loop_from=0.0,
    )


def _terms(fonts: Sequence[Soundfont]) -> str:
    """Of the sounds alone: the music is the teacher's."""
    said = [f"{font.name}, {font.licence}" for font in fonts]
    together = f"; together: {strictest(font.licence for font in fonts)}" if said[1:] else ""
    return f"Sounds: {'; '.join(said)}{together}"


def _title(chart: Chart, keys: tuple[Key, ...], label: str) -> str:
    said = f" ({label})" if label else ""
    return f"{chart.drill.title} – {keys_label(keys)} – {chart.tempo}{said}"


def _chapters(chart: Chart) -> Iterator[Chapter]:
    """Where each key and each pass begins; the count-in belongs to the first."""
    passes = chart.drill.passes
    for index, (bar, *_) in enumerate(chart.passes()):
        title = str(bar.key)
        if bar.change:
            continue
        if bar.tag:
            title += ", tag"
        elif passes > 1:
            title += f", pass {bar.pass_number - bar.key_number * passes}"
        yield Chapter(chart.seconds_at(bar.start) if index else 0.0, title)
