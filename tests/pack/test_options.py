"""What may be asked of a build: forms, mixes, loops, loudness, and what is said to a slip."""

from __future__ import annotations

import re
from math import inf, nan
from pathlib import Path

import numpy as np
import pytest
import soundfile

from drillgen.pack.settings import ROOMS, SettingError, Settings
from drillgen.sound import reverb as room
from tests.audio.readers import comments
from tests.conftest import Built, Run
from tests.pack.building import BARE, contents, manifest
from tests.pack.conftest import built

DRILL = """\
title: Both hands
note: Sing the roots first.
progression: ii7 | V7 | Imaj7 | %
key_cycle: [C, Ab]
tempo: 300
count_in: 1
gaps: none
band: {drums: sticks, comping: piano, bass: roots}
line: {kind: guide tones, instrument: vibraphone, range: C4 to C6}
"""
# The same in one key, with little to play.
LIGHT = DRILL.replace("[C, Ab]", "C").replace("comping: piano, bass: roots", "comping: off")
MIXES = ["without bass", "without comping", "line alone", "drums alone", "left and right"]


@pytest.fixture(scope="module")
def pack(tmp_path_factory: pytest.TempPathFactory, notes: Path) -> Built:
    """A track with everything that can be asked for, in two forms."""
    folder = tmp_path_factory.mktemp("options")
    drill = folder / "drill.yaml"
    drill.write_text(DRILL, "utf-8")
    asked = ["--stems", "--loops", "--mixes", ", ".join(MIXES), "--room", "off"]
    asked += ["--format", "wav", "--format", "flac", "--loudness", "-20", *BARE]
    done = built(notes, drill, folder / "out", *asked)
    return Built(folder / "out", manifest(folder / "out"), done.stdout)


def read(pack: Built, *roles: str) -> np.ndarray:
    """The samples of a file by its roles in the manifest, shape (n, 2)."""
    found = pack.manifest["tracks"][0]["files"]
    for role in roles:
        found = found[role]
    return soundfile.read(pack.folder / found, dtype="float64")[0]


def energy(samples: np.ndarray) -> float:
    return float(np.sum(samples**2))


def test_the_manifest_lists_every_file(pack: Built) -> None:
    """Every file of the pack is in its track's `bytes` with its size, and under a role."""
    (track,) = pack.manifest["tracks"]
    sizes = {name: len(data) for name, data in contents(pack.folder).items()}
    sizes.pop("manifest.json")
    (notes,) = pack.manifest["notes"]
    assert notes["bytes"] == {"NOTES.txt": sizes.pop("NOTES.txt")}
    assert track["bytes"] == sizes
    named: list[str] = []
    for value in track["files"].values():
        named += value.values() if isinstance(value, dict) else [value]
    assert sorted(named) == sorted(sizes)
    assert list(track["files"]["mixes"]) == MIXES


@pytest.mark.parametrize("part", ["bass", "comping"])
def test_without_a_part(pack: Built, part: str) -> None:
    """The demonstration less the part's stem is the mix without it, but for dither."""
    rest = read(pack, "with line") - read(pack, "stems", part)
    difference = rest - read(pack, "mixes", f"without {part}")
    assert np.sqrt(np.mean(difference**2)) < 1e-4
    assert energy(read(pack, "stems", part)) > 100 * energy(difference)


@pytest.mark.parametrize("part", ["line", "drums"])
def test_a_part_alone(pack: Built, part: str) -> None:
    """A part alone is its stem; the stem's file is not written twice under one name."""
    assert np.allclose(read(pack, "mixes", f"{part} alone"), read(pack, "stems", part), atol=1e-3)


def test_left_and_right(pack: Built) -> None:
    """The band is on the left and the line on the right: with the room off, what is on the right
    goes with the line alone, and what is on the left does not."""
    left, right = read(pack, "mixes", "left and right").T
    line = read(pack, "stems", "line").sum(axis=1)

    def likeness(side: np.ndarray) -> float:
        return abs(float(np.corrcoef(side, line)[0, 1]))

    assert likeness(right) > 0.95 and likeness(left) < 0.3


def test_the_loudness_asked_for(pack: Built) -> None:
    """pyloudnorm (ITU-R BS.1770) reads -20 LUFS of both mixes together where that was asked for."""
    import pyloudnorm

    together = np.concatenate([read(pack, role) for role in ("play-along", "with line")])
    assert pyloudnorm.Meter(44100).integrated_loudness(together) == pytest.approx(-20, abs=0.3)


def test_forms_hold_the_same_sound(pack: Built) -> None:
    """FLAC, which loses nothing (RFC 9639), has the samples of the WAV, in every role."""
    files = pack.manifest["tracks"][0]["files"]
    assert np.array_equal(read(pack, "flac", "with line"), read(pack, "with line"))
    assert np.array_equal(read(pack, "flac", "stem bass"), read(pack, "stems", "bass"))
    assert len(files["flac"]) == 2 + len(MIXES) + 5 - 1 + len(files["loops"]) + 1


def test_tags(pack: Built) -> None:
    """libsndfile reads title and album from the FLAC; number and comment are Vorbis comments."""
    name = pack.manifest["tracks"][0]["files"]["flac"]["with line"]
    with soundfile.SoundFile(pack.folder / name) as file:
        said = file.copy_metadata()
    assert said["title"] == "Both hands – 2 keys from C – 300 (with line)"
    assert said["album"] == "Both hands"
    tags = dict(comments(pack.folder / name))
    assert tags["TRACKNUMBER"] == "1"
    assert "Sing the roots first." in tags["DESCRIPTION"]


def test_loops_are_as_long_as_their_bars(pack: Built) -> None:
    """A loop holds the bars of its key to the sample: four bars of four at 300 are 3.2 s; its start
    is where the end goes on: no step that is larger than those within."""
    loops = pack.manifest["tracks"][0]["files"]["loops"]
    assert list(loops) == ["C", "C with line", "Ab", "Ab with line"]
    for role in loops:
        samples = read(pack, "loops", role)
        assert len(samples) == round(3.2 * 44100)
        steps = np.abs(np.diff(samples, axis=0))
        assert np.all(np.abs(samples[0] - samples[-1]) <= steps.max(axis=0))


def test_compressed_alone(tmp_path: Path, drillgen: Run) -> None:
    """Where only a compressed form is asked for, there is no WAV, and the track's first file is of
    that form; another form is another build."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(LIGHT, "utf-8")
    out = tmp_path / "out"
    done = drillgen("build", drill, "-o", out, "--format", "mp3", *BARE)
    assert done.returncode == 0 and ".mp3" in done.stdout, done.stderr
    assert {Path(name).suffix for name in contents(out)} == {".mp3", ".mid", ".json", ".txt"}
    played = soundfile.info(out / manifest(out)["tracks"][0]["files"]["play-along"])
    assert played.duration == pytest.approx(manifest(out)["tracks"][0]["seconds"], abs=0.001)
    assert drillgen("build", drill, "-o", out, "--format", "opus", *BARE).returncode == 0
    assert {Path(name).suffix for name in contents(out)} == {".opus", ".mid", ".json", ".txt"}


def test_a_pack_keeps_its_formats(tmp_path: Path, drillgen: Run) -> None:
    """The files are of the formats that the drill says, then of those that the pack has, until the
    command line says otherwise."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(LIGHT + "audio: {format: 'mp3, flac', mixes: drums alone}\n", "utf-8")
    out = tmp_path / "out"

    def sounds(*options: str) -> tuple[set[str], bool]:
        done = drillgen("build", drill, "-o", out, *options, *BARE, "--quiet")
        assert done.returncode == 0, done.stderr
        files = manifest(out)["tracks"][0]["files"]
        endings = {Path(name).suffix for name in contents(out)} - {".mid", ".json", ".txt"}
        return endings, "mixes" in files

    assert sounds() == ({".mp3", ".flac"}, True)
    drill.write_text(LIGHT, "utf-8")
    assert sounds() == ({".mp3", ".flac"}, False)
    assert sounds("--format", "opus") == ({".opus"}, False)
    assert sounds() == ({".opus"}, False)


@pytest.mark.parametrize("command", [["check"], ["build", "-o", "out"]])
def test_what_a_drill_asks_of_its_sound_is_read(
    tmp_path: Path, drillgen: Run, command: list[str]
) -> None:
    """A format or mix that there is not is said with its place, with what there is and the nearest,
    by `check` and by `build`, before anything is made."""
    drill = tmp_path / "drill.yaml"
    drill.write_text("audio: {format: mp5, mixes: [without bas, drums alone]}\n" + DRILL, "utf-8")
    done = drillgen(*command, drill, cwd=tmp_path)
    assert done.returncode == 2
    assert f"{drill}:1:17: audio.format: no audio format is called 'mp5'" in done.stderr
    assert f"{drill}:1:29: audio.mixes" in done.stderr and "mean without bass?" in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("option", "value", "word"),
    [
        ("--format", "mp4a", "m4a"),
        ("--mixes", "without bas", "without bass"),
        ("--mixes", "no bass", "without bass"),
        ("--room", "smal", "small"),
        ("--room", "9", "0.1 to 3"),
        ("--loudness", "5", "-40"),
        ("--loudness", "nan", "-40"),
        ("--loudness", "-inf", "-40"),
        ("--ceiling", "nan", "-20"),
        ("--ceiling", "inf", "-20"),
        ("--room", "nan", "0.1 to 3"),
        ("--room", "inf", "0.1 to 3"),
        ("--soundfont", "", "no soundfont ''"),
        ("--jobs", "0", "1"),
        ("--format", "", "--format"),
        ("--mixes", " , ", "--mixes"),
    ],
)
def test_a_slip(tmp_path: Path, drillgen: Run, option: str, value: str, word: str) -> None:
    """What there is not is refused with what there is, before anything is made."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(DRILL, "utf-8")
    done = drillgen("build", drill, "-o", tmp_path / "out", option, value)
    assert done.returncode == 2 and word in done.stderr and "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("number", [nan, inf, -inf])
@pytest.mark.parametrize("name", ["lufs", "ceiling", "room"])
def test_what_is_no_number(name: str, number: float) -> None:
    """From Python, too: no loudness, ceiling or room is without a number, or without an end."""
    with pytest.raises(SettingError, match=r"-40|-20|0\.1 to 3"):
        Settings(**{name: number}).checked()  # type: ignore[arg-type]


def test_one_file_of_no_page(tmp_path: Path, drillgen: Run) -> None:
    """The page in one file, and no page, cannot both be had."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(DRILL, "utf-8")
    done = drillgen("build", drill, "-o", tmp_path / "out", "--no-page", "--single-file")
    assert done.returncode == 2 and "--single-file" in done.stderr and "--no-page" in done.stderr
    assert not (tmp_path / "out").exists()


def test_what_is_asked_for_and_not_made_is_said(tmp_path: Path, drillgen: Run) -> None:
    """A mix without somebody who does not play, and a loop that would jump in tempo, are left out
    and said, each in one line, by every build; a key that stays in its tempo is looped."""
    drill = tmp_path / "drill.yaml"
    text = DRILL.replace(", bass: roots", ", bass: off").replace("tempo: 300", "passes: 2\n{}")
    drill.write_text(text.replace("{}", "tempo: {from: 300, to: 320, step: 10}"), "utf-8")
    asked = ("--mixes", "without bass, without drums", "--loops", "--room", "off", *BARE)
    out = tmp_path / "out"
    for _ in range(2):
        done = drillgen("build", drill, "-o", out, *asked, "--quiet")
        assert done.returncode == 0
        notes = [line for line in done.stderr.splitlines() if line.startswith("Note: No ")]
        assert len(notes) == 2 and "'without bass'" in notes[0] and "tempo climbs" in notes[1]
    (track,) = manifest(out)["tracks"]
    assert list(track["files"]["mixes"]) == ["without drums"]
    # From 300 by 10 a pass: 300 and 310 in C, 320 and, as that is the end, 320 in A flat.
    assert list(track["files"]["loops"]) == ["Ab", "Ab with line"]


def test_the_notes_name_the_main_form_and_what_was_asked_for(tmp_path: Path, drillgen: Run) -> None:
    """Notes and command say to open the same file, of the form that was named first; loops and
    mixes are among what is here."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(LIGHT, "utf-8")
    asked = ("--format", "mp3,flac", "--loops", "--mixes", "left and right", *BARE)
    done = drillgen("build", drill, "-o", tmp_path / "out", *asked, "--quiet")
    (opened,) = (row for row in done.stdout.splitlines() if row.startswith("Open first: "))
    text = (tmp_path / "out" / "NOTES.txt").read_text("utf-8-sig")
    name = manifest(tmp_path / "out")["tracks"][0]["files"]["with line"]
    assert name.endswith(".mp3") and opened == f"Open first: {tmp_path / 'out' / name}"
    assert text.partition("Open first")[2].partition("What is here")[0].split("\n\n")[2] == (
        f"  {name}"
    )
    here = text.partition("What is here")[2].partition("How to practise")[0]
    assert "- loops: " in here and "… left and right: " in here


def test_what_to_send_is_named_as_it_was_asked_for(tmp_path: Path, drillgen: Run) -> None:
    """Zip and page in one file are told apart and named from where the person is; music of less
    than a minute has no minutes."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(LIGHT, "utf-8")
    asked = ("-o", "out", "--zip", "--single-file", "--no-sheets", "--quiet")
    done = drillgen("build", "drill.yaml", *asked, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    first, *rest = done.stdout.splitlines()
    assert re.search(r"\(\d+ s of music\)", first)
    assert [Path(row.rpartition(": ")[2]) for row in rest] == [
        Path("out/index.html"),
        Path("out/page.html"),
        Path("out.zip"),
    ]
    assert len({row.partition(":")[0] for row in rest}) == 3


def test_the_rooms_are_those_of_the_sound_room() -> None:
    """The names that the command knows are those that can be played in."""
    assert set(ROOMS) == {room.OFF, *room.SIZES}
