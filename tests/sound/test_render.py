"""Whole tracks, heard by other programs."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drillgen.errors import SoundError
from drillgen.performance import Played
from drillgen.sound import soundfonts
from drillgen.sound.render import MixReport, MixRequest, prepare_notes, render
from drillgen.sound.soundfonts import Soundfont, choose, find_soundfonts
from tests.sound.helpers import (
    BAND,
    EVERYONE,
    band,
    ffmpeg_loudness,
    level,
    performance,
    read,
    voice,
)
from tests.sound.test_soundfonts import soundfont


def both(folder: Path) -> list[MixRequest]:
    return [
        MixRequest("play-along", BAND, folder / "a.wav"),
        MixRequest("with line", EVERYONE, folder / "b.wav"),
    ]


def test_length(tmp_path: Path, font: Soundfont) -> None:
    """A file has round(seconds * 44100) samples, and the report says so."""
    report = render(band(5.12345), both(tmp_path), soundfont=font)
    assert read(tmp_path / "a.wav").shape == (2, round(5.12345 * 44100))
    assert [mix.samples for mix in report.mixes] == [round(5.12345 * 44100)] * 2


def test_loudness_by_ffmpeg(tmp_path: Path, font: Soundfont) -> None:
    """One mix alone is at -16 LUFS and at most -1 dBTP, as ffmpeg measures (within 0.3 and 0.1)."""
    report = render(band(20.0), [MixRequest("all", EVERYONE, tmp_path / "a.wav")], soundfont=font)
    heard(report.mixes[0])
    assert ffmpeg_loudness(tmp_path / "a.wav")[0] == pytest.approx(-16, abs=0.3)


def test_loudness_together(tmp_path: Path, font: Soundfont) -> None:
    """Mixes with and without the line are at -16 LUFS together, each peak at most -1 dBTP."""
    report = render(band(20.0), both(tmp_path), soundfont=font)
    for mix in report.mixes:
        heard(mix)
    quiet, loud = (mix.lufs for mix in report.mixes)
    assert quiet <= -16 + 0.1 and loud >= -16 - 0.1


def heard(mix: MixReport) -> None:
    """What the report says is what ffmpeg measures."""
    loudness, peak = ffmpeg_loudness(mix.path)
    assert loudness == pytest.approx(mix.lufs, abs=0.2)
    assert peak <= -1.0 + 0.1
    assert peak == pytest.approx(mix.true_peak_db, abs=0.2)


def test_the_band_is_equally_loud_with_the_line(tmp_path: Path, font: Soundfont) -> None:
    """With the line minus without it leaves the line alone: the band has the same gain in both.

    At -30 LUFS no limiter works; what is left over is rounding and dither, under 4 steps.
    """
    requests = [*both(tmp_path), MixRequest("line", frozenset({"line"}), tmp_path / "c.wav")]
    render(band(8.0), requests, soundfont=font, target_lufs=-30.0)
    without, with_line, line = (read(request.path) for request in requests)
    assert np.abs(with_line - without - line).max() <= 4 / 32768
    assert level(line) > -60


def test_where_the_line_rests(tmp_path: Path, font: Soundfont) -> None:
    """Where the line rests and has died away, both mixes have the same samples; each is as loud as
    ffmpeg measures, and the line is back where it comes in again."""
    played = band(20.0)
    *others, line = played.voices
    resting = replace(line, notes=tuple(n for n in line.notes if not 5 < n.start < 15))
    report = render(replace(played, voices=(*others, resting)), both(tmp_path), soundfont=font)
    for mix in report.mixes:
        heard(mix)
    added = read(tmp_path / "b.wav") - read(tmp_path / "a.wav")
    assert not added[:, 9 * 44100 : 14 * 44100].any()
    assert level(added[:, 3 * 44100 : 5 * 44100]) > -50 and level(added[:, 15 * 44100 :]) > -50


def test_same_bytes(tmp_path: Path, font: Soundfont) -> None:
    """The same performance gives the same bytes, with one job or with three."""
    contents = []
    for jobs in (1, 3):
        render(band(8.0), both(tmp_path), soundfont=font, jobs=jobs)
        contents.append([(tmp_path / name).read_bytes() for name in ("a.wav", "b.wav")])
    assert contents[0] == contents[1]


def test_room_can_be_off(tmp_path: Path) -> None:
    """After a stroke a room is heard, and without one there is nothing but dither: in the embedded
    soundfont, whose woodblock is over in 150 ms."""
    font = next(f for f in find_soundfonts() if f.path.parent.name == "pretty_midi")
    click = performance(3.0, voice("click", 0, [Played(0.2, 0.1, 76, 100)]))
    rest = {}
    for room in ("off", "small"):
        request = MixRequest(room, frozenset({"click"}), tmp_path / f"{room}.wav")
        render(click, [request], soundfont=font, room=room, target_lufs=-20.0)
        rest[room] = level(read(request.path)[:, int(0.45 * 44100) : int(0.5 * 44100)])
    assert rest["small"] > rest["off"] + 6


def test_missing_brushes_are_said(tmp_path: Path, font: Soundfont) -> None:
    """A kit that the soundfont has not is replaced by the standard one, with a warning."""
    part = voice("drums", 77, [Played(0.1, 0.1, 38, 90)])
    report = render(
        performance(1.0, part),
        [MixRequest("a", frozenset({"drums"}), tmp_path / "a.wav")],
        soundfont=font,
    )
    assert report.warnings == (
        f"{font.name} has no drum kit 77; the drums part uses its standard kit.",
    )
    assert level(read(tmp_path / "a.wav")) > -60


def test_a_missing_instrument_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A melodic program that no soundfont has stops the render: another instrument is another
    exercise."""
    monkeypatch.setattr(soundfonts, "_folders", lambda: iter(()))
    (tmp_path / "few.sf2").write_bytes(soundfont("Few", presets=((0, 0), (128, 0))))
    few = choose(str(tmp_path / "few.sf2")).soundfont
    part = voice("line", 11, [Played(0.1, 0.1, 60, 90)])
    with pytest.raises(SoundError, match="Few has no General MIDI program 12"):
        render(performance(1.0, part), both(tmp_path), soundfont=few)
    assert not (tmp_path / "a.wav").exists()


def test_fluidsynth_refuses(tmp_path: Path) -> None:
    """A file that looks like a soundfont but is none inside is refused in one sentence."""
    (tmp_path / "hollow.sf2").write_bytes(soundfont("Hollow", presets=((0, 0), (128, 0))))
    hollow = choose(str(tmp_path / "hollow.sf2")).soundfont
    part = voice("line", 0, [Played(0.1, 0.1, 60, 90)])
    with pytest.raises(SoundError, match=r"hollow\.sf2 cannot be used as a soundfont"):
        render(performance(1.0, part), both(tmp_path), soundfont=hollow)


def test_cut_short_within_the_samples(tmp_path: Path, font: Soundfont) -> None:
    """A real soundfont of which the last third is missing is refused when it is chosen."""
    content = font.path.read_bytes()
    (tmp_path / "cut.sf2").write_bytes(content[: len(content) * 2 // 3])
    with pytest.raises(SoundError, match=r"cut\.sf2 is cut short or damaged"):
        choose(str(tmp_path / "cut.sf2"))


def test_silence(tmp_path: Path, font: Soundfont) -> None:
    """A track in which nothing sounds is a file of silence, not an error."""
    report = render(performance(2.0), both(tmp_path), soundfont=font)
    assert report.mixes[0].lufs == -np.inf
    assert np.abs(read(tmp_path / "a.wav")).max() <= 1 / 32768


def test_prepared_notes_serve(tmp_path: Path, font: Soundfont) -> None:
    """After `prepare_notes`, progress ends at 1 and never goes back."""
    assert prepare_notes([band(6.0), band(9.0, 90.0)], font) == ()
    seen: list[float] = []
    render(band(6.0), both(tmp_path), soundfont=font, progress=lambda done, _: seen.append(done))
    assert seen[-1] == pytest.approx(1.0)
    assert seen == sorted(seen)


def test_reference_file(tmp_path: Path, font: Soundfont) -> None:
    """The reference rendering is a file of the same length, and not silent."""
    everyone = MixRequest("r", EVERYONE, tmp_path / "r.wav")
    render(band(3.0), [everyone], soundfont=font, reference=True)
    assert read(tmp_path / "r.wav").shape == (2, 3 * 44100)
    assert level(read(tmp_path / "r.wav")) > -60


def test_importing_is_light() -> None:
    """Rendering needs neither scipy nor soundfile nor pretty_midi: all cost start-up time."""
    program = (
        "import sys, drillgen.sound.render\n"
        "print(sorted({'scipy', 'soundfile', 'pygame', 'pretty_midi'}"
        " & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
