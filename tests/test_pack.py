"""The pack: its files as other programs read them, its sound against outside measures."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import mido
import numpy as np
import pytest
import scipy
import soundfile
from music21 import converter, note

from tests.conftest import SMALL, Built, Run
from tests.pitch import HERTZ, NAMES, pitch
from tests.sound.helpers import ffmpeg_loudness


def mono(path: Path) -> np.ndarray:
    return soundfile.read(path, dtype="float64")[0].mean(axis=1)


def above_5_khz(sound: np.ndarray) -> np.ndarray:
    return scipy.signal.sosfilt(scipy.signal.butter(6, 5000, "high", fs=44100, output="sos"), sound)


def test_layout(pack: Built) -> None:
    """The files lie where the design promises them, and nothing else is there."""
    name = "Two keys to answer in"
    base = f"{name}/{name} - 2 keys from C - 120"
    stem = f"{name}/stems/{name} - 2 keys from C - 120 - "
    expected = {
        "manifest.json",
        *(f"{base}{end}" for end in (".wav", ".mid", " with line.wav", " with line.mid")),
    }
    expected |= {f"{stem}{part}.wav" for part in ("drums", "comping", "bass", "line", "click")}
    expected |= {f"{name}/sheet.{form}" for form in ("musicxml", "pdf", "svg")}
    expected |= {"index.html", "worker.js", "NOTES.txt"}
    found = {p.relative_to(pack.folder).as_posix() for p in pack.folder.rglob("*") if p.is_file()}
    of_the_page = {each for each in found if each.startswith("page/")}
    assert found - of_the_page == expected and of_the_page


def test_the_last_line_says_what_was_made(pack: Built) -> None:
    """The command says how many tracks, how long it took, and what to open first."""
    assert re.search(r"Made 1 track .* in \d+\.\d s\.", pack.output)
    opened = re.search(r"Open first: (.*)", pack.output)
    assert opened and Path(opened[1]) == pack.folder / "index.html"


def test_manifest(pack: Built) -> None:
    """The manifest holds every key that the design names, and each file it lists exists."""
    (track,) = pack.manifest["tracks"]
    assert {
        "drill",
        "tempo",
        "keys",
        "seconds",
        "sample_rate",
        "files",
        "bars",
        "loudness",
        "soundfont",
        "seed",
    } <= track.keys()
    assert track["keys"] == ["C major", "Ab major"] and track["seed"] == 5
    assert {"name", "licence", "sha256"} <= track["soundfont"].keys()
    assert re.fullmatch(r"[0-9a-f]{64}", track["soundfont"]["sha256"])
    assert all(track["soundfont"].values()) and pack.manifest["version"]
    listed = [
        *(v for v in track["files"].values() if isinstance(v, str)),
        *track["files"]["stems"].values(),
    ]
    assert all((pack.folder / name).is_file() for name in listed)
    first_call = next(bar for bar in track["bars"] if bar["role"] == "call")
    assert first_call == {
        "start": 4.0,
        "key": "C major",
        "role": "call",
        "pass": 1,
        "chords": [{"chord": "Dm7", "at": 0.0}],
    }


def test_bars_start_where_the_tempo_puts_them(pack: Built) -> None:
    """At 120 in four, bar n starts at 2 n seconds exactly."""
    bars = pack.manifest["tracks"][0]["bars"]
    assert [bar["start"] for bar in bars] == [2.0 * number for number in range(len(bars))]


@pytest.mark.parametrize("role", ["play-along", "with line"])
def test_audio_format_and_exact_length(pack: Built, role: str) -> None:
    """44.1 kHz, 16 bit, stereo; as many samples as the manifest's seconds say."""
    info = soundfile.info(pack.file(role))
    assert (info.samplerate, info.channels, info.subtype, info.format) == (
        44100,
        2,
        "PCM_16",
        "WAV",
    )
    assert info.frames == round(pack.manifest["tracks"][0]["seconds"] * 44100)


def test_loudness_by_another_meter(pack: Built) -> None:
    """pyloudnorm reads what the manifest says within 0.2 LU; the mixes lie about -16 LUFS (AES
    TD1008), the demonstration not softer than the play-along; no sample passes -1 dBFS."""
    import pyloudnorm

    loudness = pack.manifest["tracks"][0]["loudness"]
    meter = pyloudnorm.Meter(44100)
    for role, said in loudness.items():
        samples, _ = soundfile.read(pack.file(role))
        assert meter.integrated_loudness(samples) == pytest.approx(said["lufs"], abs=0.2)
        assert said["lufs"] == pytest.approx(-16, abs=1.0)
        assert said["true_peak_dbtp"] <= -1.0
        assert np.abs(samples).max() <= 10 ** (-1 / 20)
    assert loudness["with line"]["lufs"] >= loudness["play-along"]["lufs"]


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
@pytest.mark.parametrize("role", ["play-along", "with line"])
def test_loudness_by_ffmpeg(pack: Built, role: str) -> None:
    """ffmpeg's ebur128 filter agrees within 0.2 LU, and finds at most -1 dBTP."""
    lufs, peak = ffmpeg_loudness(pack.file(role))
    said = pack.manifest["tracks"][0]["loudness"][role]
    assert lufs == pytest.approx(said["lufs"], abs=0.2)
    assert peak <= -1.0 + 0.1  # ffmpeg prints one decimal
    assert peak == pytest.approx(said["true_peak_dbtp"], abs=0.4)  # EBU Tech 3341: +0.2/-0.4 dB


def test_the_band_is_equally_loud_with_and_without_the_line(pack: Built) -> None:
    """Where the line rests (the responses), both mixes hold the same samples but for dither."""
    one, other = mono(pack.file("play-along")), mono(pack.file("with line"))
    bars = pack.manifest["tracks"][0]["bars"]
    for bar in (b for b in bars if b["role"] == "response"):
        # half a bar for the line's last note to die away, and none of what a limiter that looks
        # ahead lowers before the next call
        part = slice(round((bar["start"] + 1.0) * 44100), round((bar["start"] + 1.6) * 44100))
        if bars[bars.index(bar) - 1]["role"] == "response":
            difference = one[part] - other[part]
            level = np.sqrt(np.mean(one[part] ** 2))
            assert np.sqrt(np.mean(difference**2)) < level / 100


def test_stems_add_up_to_the_mix(pack: Built) -> None:
    """The parts alone, added together, are the demonstration: within dither, except where its
    limiter held a peak back."""
    stems = pack.manifest["tracks"][0]["files"]["stems"].values()
    together = np.sum([mono(pack.folder / name) for name in stems], axis=0)
    difference = np.abs(together - mono(pack.file("with line")))
    assert np.mean(difference < 1e-3) > 0.7


def test_tempo_by_its_strokes(pack: Built) -> None:
    """Strokes repeat at 120 (or a metrical level of it) within 2 %: the highest peak of the onset
    strength's autocorrelation, weighted by tempos that listeners prefer (Ellis, "Beat Tracking by
    Dynamic Programming", Journal of New Music Research 36, 2007)."""
    step = 220
    _, _, waves = scipy.signal.stft(
        mono(pack.file("play-along")), nperseg=1024, noverlap=1024 - step
    )
    onsets = np.maximum(np.diff(np.log(np.abs(waves) + 1e-4)), 0).sum(axis=0)
    onsets -= onsets.mean()
    alike = scipy.signal.correlate(onsets, onsets, method="fft")[len(onsets) :]
    tempos = 60 * 44100 / step / np.arange(1, len(alike) + 1)
    preferred = np.exp(-0.5 * (np.log2(tempos / 120) / 0.9) ** 2)
    tempo = tempos[np.argmax(alike * preferred)]
    assert min(abs(tempo / 120 * factor - 1) for factor in (0.5, 1, 2)) < 0.02


def test_strokes_fall_on_the_beats(pack: Built) -> None:
    """Energy above 5 kHz in steps of 1 ms peaks by every 1 and 3 with a constant lag, within 3 ms
    for nine in ten; the line through the peaks (Theil and Sen's) has the track's tempo
    within 50 parts in a million."""
    stem = pack.folder / pack.manifest["tracks"][0]["files"]["stems"]["drums"]
    high = above_5_khz(mono(stem))
    energy = np.add.reduceat(high**2, np.arange(0, len(high), 44.1).astype(int))
    known = np.array([
        bar["start"] + beat / 2
        for bar in pack.manifest["tracks"][0]["bars"]
        if bar["role"] in ("call", "response")
        for beat in (0, 2)
    ])  # fmt: skip
    first = np.round(known * 1000).astype(int) - 10
    found = np.array([(at + np.argmax(energy[at : at + 40])) / 1000 for at in first])
    slope, offset, *_ = scipy.stats.theilslopes(found, known)
    assert abs(slope - 1) < 50e-6
    residual = np.abs(found - slope * known - offset)
    assert np.percentile(residual, 90) < 0.003 and 0 <= offset < 0.02


def test_line_and_bass_sound_at_their_pitches(pack: Built, drillgen: Run, tmp_path: Path) -> None:
    """McLeod and Wyvill's method reads every root of the bass in the written key within a quarter
    tone of the equal-temperament table."""
    drill = tmp_path / "roots.yaml"
    drill.write_text(
        "progression: I | IV | V | bVII | ii7 | VI7 | iii7 | bII7\nkey_cycle: C\n"
        "tempo: 80\ncount_in: 0\ngaps: none\nending: none\nline: roots\n"
        "band: {drums: off, comping: off}\n"
    )
    done = drillgen("build", drill, "-o", tmp_path / "out", "--no-sheets", "--no-page")
    assert done.returncode == 0, done.stderr
    samples = mono(next((tmp_path / "out").rglob("* with line.wav")))
    for number, name in enumerate(["C", "F", "G", "Bb", "D", "A", "E", "Db"]):
        start = number * 3.0
        part = samples[round((start + 0.1) * 44100) : round((start + 1.3) * 44100)]
        heard = pitch(part, 44100, 35, 220)
        nearest = min(HERTZ, key=lambda key: abs(np.log2(HERTZ[key] / heard)))
        assert abs(1200 * np.log2(heard / HERTZ[nearest])) < 50
        assert NAMES[nearest].rstrip("0123456789") == name


def test_a_drill_built_again_replaces_itself_only(drillgen: Run, tmp_path: Path) -> None:
    """Building another drill into the folder keeps the first in the manifest; building the first
    again at another tempo replaces its entry."""
    for title, tempo in (("One", "200"), ("Two", "200"), ("One", "220")):
        drill = tmp_path / f"{title}.yaml"
        drill.write_text(
            f"title: {title}\nprogression: I\nkey_cycle: C\ngaps: none\nending: none\n"
            "count_in: 0\nband: off\n"
        )
        done = drillgen("build", drill, "-o", tmp_path / "out", "--tempo", tempo)
        assert done.returncode == 0, done.stderr
    document = json.loads((tmp_path / "out/manifest.json").read_text("utf-8"))
    tracks = document.pop("tracks")
    assert sorted((track["drill"], track["tempo"]) for track in tracks) == [
        ("One", 220),
        ("Two", 200),
    ]
    entries = [
        entry for section in document.values() if isinstance(section, list) for entry in section
    ]
    listed = {name for entry in (*tracks, *entries) for name in entry["bytes"]}
    found = (path for path in (tmp_path / "out").rglob("*.*") if path.name != "manifest.json")
    assert {path.relative_to(tmp_path / "out").as_posix() for path in found} == listed
    assert sorted(sheet["drill"] for sheet in document["sheets"]) == ["One", "Two"]


def test_the_same_drill_gives_the_same_bytes(drillgen: Run, tmp_path: Path) -> None:
    """Two builds of one drill agree in every file."""
    drill = tmp_path / "small.yaml"
    drill.write_text(SMALL.replace("[C, Ab]", "C"))
    for name in ("a", "b"):
        assert drillgen("build", drill, "-o", tmp_path / name).returncode == 0
    for path in (tmp_path / "a").rglob("*.*"):
        assert path.read_bytes() == (tmp_path / "b" / path.relative_to(tmp_path / "a")).read_bytes()


@pytest.mark.parametrize(
    "title",
    ["a/b: <c>?", "manifest.json", "CON", "🎷" * 100, "ö" * 100, "...", "سلم", 'a "b" \\ c'],
)
def test_any_title_makes_a_folder(drillgen: Run, tmp_path: Path, title: str) -> None:
    """Titles with signs that file names may not have, or that are long, make a pack all the same;
    its files are where the manifest says (names allowed on Windows, the strictest: memory)."""
    drill = tmp_path / "drill.yaml"
    facts = {"key_cycle": "C", "gaps": "none", "band": "off", "ending": "none", "tempo": 300}
    text = json.dumps({"title": title, "progression": "I", **facts}, ensure_ascii=False)
    drill.write_text(text, "utf-8")
    done = drillgen("build", drill, "-o", tmp_path / "out", "--no-page")
    assert done.returncode == 0, done.stderr
    (track,) = json.loads((tmp_path / "out/manifest.json").read_text("utf-8"))["tracks"]
    for name in track["files"].values():
        assert (tmp_path / "out" / name).is_file()
        assert not re.search(r'[<>:"\\|?*]', name) and len(Path(name).name.encode()) < 200


def test_a_drill_in_which_nothing_sounds_is_refused(drillgen: Run, tmp_path: Path) -> None:
    """No line, no band and no count-in: the command says so and writes nothing."""
    drill = tmp_path / "drill.yaml"
    drill.write_text("progression: I\nband: off\nline: off\ncount_in: 0\n")
    done = drillgen("build", drill, "-o", tmp_path / "out")
    assert done.returncode == 2 and "nothing would sound" in done.stderr
    assert not (tmp_path / "out").exists()


def test_phrases_have_an_answers_sheet_of_their_own(drillgen: Run, tmp_path: Path) -> None:
    """The phrases that were called stand in a MusicXML file apart, which music21 reads as the notes
    of the MIDI file; other lines have none."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(
        "progression: i7 | % | % | %\nkey_cycle: [Dm, Gm]\nline: phrases\ntiming: exact\n"
        "tempo: 200\nband: off\nending: none\n"
    )
    command = ("build", drill, "-o", tmp_path / "out", "--no-page")
    assert drillgen(*command).returncode == 0
    document = json.loads((tmp_path / "out/manifest.json").read_text("utf-8"))
    (track,), (printed,) = document["tracks"], document["sheets"]
    sheet = converter.parse(tmp_path / "out" / printed["files"]["sheet answers"]["musicxml"])
    found = sheet.toSoundingPitch().stripTies().recurse().getElementsByClass(note.Note)
    written = [each.pitch.midi for each in found if each.notehead != "slash"]
    midi = mido.MidiFile(tmp_path / "out" / track["files"]["midi with line"])
    line = next(each for each in midi.tracks if each.name == "line")
    assert written == [m.note for m in line if m.type == "note_on"] and len(written) > 5
    assert drillgen(*command, "--set", "line=roots").returncode == 0
    (printed,) = json.loads((tmp_path / "out/manifest.json").read_text("utf-8"))["sheets"]
    assert list(printed["files"]) == ["sheet"]
    assert not list((tmp_path / "out").rglob("*answers*"))
