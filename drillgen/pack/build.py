"""From drills to a pack: plan, play, write, and say what was made."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drillgen.drill.lesson import Lesson
from drillgen.midi import midi_file
from drillgen.pack import manifest
from drillgen.pack.answers import answers
from drillgen.pack.files import PackError, folder, is_inside, reason, write_whole
from drillgen.pack.plan import Track, plan
from drillgen.score import PartName
from drillgen.sound.render import MixReport, MixRequest, RenderReport, prepare_notes, render
from drillgen.sound.soundfonts import Choice, choose

Progress = Callable[[float, str], None]  # done so far (0 to 1), what is being done

_NOTES_SHARE = 0.3  # of the progress bar: rendering the notes that are not in the cache yet
_LINE: frozenset[PartName] = frozenset({"line"})


@dataclass(frozen=True, slots=True)
class Options:
    """How to build, apart from what the drills say."""

    soundfont: str | None = None  # a name or a path; None: the best one found
    room: str = "small"
    stems: bool = False
    jobs: int | None = None  # None: all cores


@dataclass(frozen=True, slots=True)
class Pack:
    """What was made."""

    folder: Path
    tracks: tuple[Path, ...]  # the play-along of each track
    first: Path  # what to open first
    music: float  # seconds of all tracks
    took: float  # seconds
    soundfont: Choice
    warnings: tuple[str, ...]


def build(
    lesson: Lesson, out: Path, options: Options | None = None, progress: Progress | None = None
) -> Pack:
    """Write a lesson's pack into a folder, each file whole or not at all.

    Tracks of other drills that the folder's manifest lists stay in it.  Raises a DrillgenError
    in plain words where the folder cannot be written or no sound can be made.
    """
    began = time.perf_counter()
    options = options or Options()
    report = progress or (lambda done, what: None)
    choice = choose(options.soundfont)
    tracks = plan(lesson.drills)
    _refuse_silence(tracks)
    folder(out)
    try:
        prepare_notes(
            [track.performance for track in tracks],
            choice.soundfont,
            jobs=options.jobs,
            progress=lambda done, what: report(done * _NOTES_SHARE, what),
        )
        made = [
            _track(out, track, choice, options, _part_of(report, index, len(tracks)))
            for index, track in enumerate(tracks)
        ]
        _manifest(out, lesson.title, [entry for entry, _ in made])
    except OSError as error:
        raise PackError(f"cannot write into {out}: {reason(error)}") from error
    warnings = dict.fromkeys(warning for _, report in made for warning in report.warnings)
    return Pack(
        folder=out,
        tracks=tuple(out / track.file(".wav") for track in tracks),
        first=out / tracks[0].file(" with line.wav" if tracks[0].has_line else ".wav"),
        music=sum(track.performance.seconds for track in tracks),
        took=time.perf_counter() - began,
        soundfont=choice,
        warnings=tuple(warnings),
    )


def _refuse_silence(tracks: Sequence[Track]) -> None:
    """Raises PackError where nobody plays a note in a track."""
    for track in tracks:
        if not any(voice.notes for voice in track.performance.voices):
            title = track.chart.drill.title
            raise PackError(f"{title}: nothing would sound; give it a line, a band or a count-in")


def _part_of(report: Progress, index: int, total: int) -> Progress:
    """Progress of one track within all."""

    def part(done: float, what: str) -> None:
        report(_NOTES_SHARE + (1 - _NOTES_SHARE) * (index + done) / total, what)

    return part


def _track(
    out: Path, track: Track, choice: Choice, options: Options, progress: Progress
) -> tuple[manifest.Entry, RenderReport]:
    requests = dict(_mixes(out, track, options))
    for request in requests.values():
        folder(request.path.parent)
    rendered = render(
        track.performance,
        list(requests.values()),
        soundfont=choice.soundfont,
        room=options.room,
        progress=progress,
        jobs=options.jobs,
    )
    files: dict[str, Any] = {
        role: str(track.file(_ENDINGS[role])) for role in requests if role in _ENDINGS
    }
    if options.stems:
        files["stems"] = {part: str(track.stem(part)) for part in track.parts}
    files |= _midi(out, track) | _answers(out, track)
    return manifest.entry(track, files, _sound_facts(requests, rendered, choice)), rendered


# The ending of each role's file name.
_ENDINGS = {
    "play-along": ".wav",
    "with line": " with line.wav",
    "midi": ".mid",
    "midi with line": " with line.mid",
    "answers": " answers.musicxml",
}


def _mixes(out: Path, track: Track, options: Options) -> Iterator[tuple[str, MixRequest]]:
    everyone = frozenset(track.parts)
    mixes = {"play-along": everyone - _LINE}
    if track.has_line:
        mixes["with line"] = everyone
    for role, parts in mixes.items():
        yield role, MixRequest(role, parts, out / track.file(_ENDINGS[role]))
    if options.stems:
        for part in track.parts:
            yield f"stem {part}", MixRequest(part, frozenset({part}), out / track.stem(part), False)


def _midi(out: Path, track: Track) -> dict[str, str]:
    title = track.chart.drill.title
    versions = {"midi": _LINE} | ({"midi with line": frozenset()} if track.has_line else {})
    for role, left_out in versions.items():
        content = midi_file(track.performance, title, left_out)
        write_whole(out / track.file(_ENDINGS[role]), content)
    return {role: str(track.file(_ENDINGS[role])) for role in versions}


def _answers(out: Path, track: Track) -> dict[str, str]:
    sheet = answers(track.chart, track.score.part("line"))
    if sheet is None:
        return {}
    write_whole(out / track.file(_ENDINGS["answers"]), sheet.encode("utf-8"))
    return {"answers": str(track.file(_ENDINGS["answers"]))}


def _sound_facts(
    requests: dict[str, MixRequest], rendered: RenderReport, choice: Choice
) -> manifest.Entry:
    by_path = {mix.path: mix for mix in rendered.mixes}
    loudness = {
        role: _loudness(by_path[request.path])
        for role, request in requests.items()
        if role in _ENDINGS
    }
    font = choice.soundfont
    return {
        "sample_rate": rendered.sample_rate,
        "loudness": loudness,
        "soundfont": {"name": font.name, "licence": font.licence, "sha256": font.sha256},
        "synthesiser": f"FluidSynth {rendered.library_version}",
    }


def _loudness(mix: MixReport) -> dict[str, float]:
    return {"lufs": round(mix.lufs, 2), "true_peak_dbtp": round(mix.true_peak_db, 2)}


def _manifest(out: Path, title: str, entries: Sequence[manifest.Entry]) -> None:
    """Written last; a drill's folder is replaced as a whole, other drills' tracks stay listed."""
    folders = {entry["folder"] for entry in entries}
    before = manifest.earlier(out)
    others = [entry for entry in before if entry["folder"] not in folders]
    content = manifest.text(title, [*others, *entries])
    write_whole(out / manifest.NAME, content.encode("utf-8"))
    kept = {name for entry in (*others, *entries) for name in manifest.files_of(entry)}
    for entry in before:
        for name in manifest.files_of(entry):
            if name not in kept and is_inside(name):
                (out / name).unlink(missing_ok=True)
