"""Audio files of a track: rendered as WAV, then written in every form that was asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from drillgen.audio.formats import FORMATS, encode, tag
from drillgen.audio.tags import Tags
from drillgen.pack.files import folder
from drillgen.pack.mixes import Mix
from drillgen.pack.settings import Settings
from drillgen.pack.tasks import Place
from drillgen.performance import Performance
from drillgen.sound.render import MixRequest, RenderReport, render, split
from drillgen.sound.soundfonts import Soundfont

_RENDERED = 0.9  # of the progress, when the WAVs are there


@dataclass(frozen=True, slots=True)
class Recording:
    """One mix to be written: its place in the pack as a WAV, and what it says of itself."""

    mix: Mix
    wav: PurePosixPath
    tags: Tags


@dataclass(frozen=True, slots=True)
class Studio:
    """Where a performance is recorded."""

    performance: Performance
    place: Place
    soundfont: Soundfont
    settings: Settings

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
            folder(request.path.parent)
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
