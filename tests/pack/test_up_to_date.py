"""Builds that make only what is not there: what has changed, and what was damaged."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import drillgen as program
from tests.conftest import Run
from tests.pack.building import (
    BARE,
    changed,
    contents,
    lesson,
    manifest,
    sounding,
    tracks,
    written,
)
from tests.pack.conftest import built

DRILLS = {"One": "tempo: [360, 340]", "Two": "tempo: 350"}


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    return lesson(tmp_path / "term.yaml", DRILLS)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, notes: Path) -> Path:
    """The pack of `DRILLS`, whole and, beside it, of what sounds alone."""
    folder = tmp_path_factory.mktemp("made")
    for name, options in (("out", ()), ("bare", BARE)):
        built(notes, lesson(folder / "term.yaml", DRILLS), folder / name, *options)
    return folder


@pytest.fixture
def pack(made: Path, tmp_path: Path) -> Path:
    """A copy of it, with the files' times."""
    return Path(shutil.copytree(made / "out", tmp_path / "out"))


@pytest.fixture
def bare(made: Path, tmp_path: Path) -> Path:
    """A copy of what sounds of it."""
    return Path(shutil.copytree(made / "bare", tmp_path / "bare"))


def test_nothing_is_made_twice(plan: Path, pack: Path, drillgen: Run) -> None:
    """A second build writes no file at all, says so, and names what to open first."""
    before = written(pack)
    done = drillgen("build", plan, "-o", pack)
    assert done.returncode == 0 and written(pack) == before
    assert "Nothing to do: 3 tracks" in done.stdout and "Open first: " in done.stdout


def test_nothing_is_played_to_know_it(plan: Path, pack: Path) -> None:
    """That nothing is to be done is known without writing a note, and without NumPy."""
    code = (
        "import sys; from click.testing import CliRunner; from drillgen.cli import main;"
        f"done = CliRunner().invoke(main, ['build', {str(plan)!r}, '-o', {str(pack)!r}]);"
        "print(done.output, "
        "[m for m in ('numpy', 'mido', 'drillgen.arrange') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "Nothing to do" in done.stdout and done.stdout.strip().endswith("[]")


def test_a_changed_tempo_makes_its_tracks_alone(plan: Path, pack: Path, drillgen: Run) -> None:
    """One tempo of one drill changed: its files are written, the old tempo's go, no other track
    and no other drill's sheet is touched."""
    before = written(pack)
    lesson(plan, DRILLS | {"One": "tempo: [360, 330]"})
    assert drillgen("build", plan, "-o", pack).returncode == 0
    new = changed(before, pack)
    assert sounding(new) and all(" - 330" in name for name in sounding(new))
    assert not any(name.startswith("02 Two/") for name in new)
    assert tracks(pack) == [("One", 360), ("One", 330), ("Two", 350)]
    assert not any(" - 340" in name for name in written(pack))


def test_a_changed_note_makes_its_drill_alone(plan: Path, pack: Path, drillgen: Run) -> None:
    """The sentence for the student stands in a drill's files: they are written, no others."""
    before = written(pack)
    lesson(plan, DRILLS | {"Two": "tempo: 350, note: Sing it first"})
    assert drillgen("build", plan, "-o", pack).returncode == 0
    new = changed(before, pack)
    assert sounding(new) and not any(name.startswith("01 One/") for name in new)
    assert manifest(pack)["tracks"][2]["note"] == "Sing it first"


@pytest.mark.parametrize(
    "options",
    [["--room", "off"], ["--loudness", "-20"], ["--ceiling", "-3"], ["--stems"], ["--seed", "9"]],
    ids=lambda options: options[0],
)
def test_what_sounds_otherwise_is_made_again(
    plan: Path, bare: Path, drillgen: Run, options: list[str]
) -> None:
    """An option that every track follows from has every play-along made again."""
    before = written(bare)
    assert drillgen("build", plan, "-o", bare, *BARE, *options).returncode == 0
    wanted = {track["files"]["play-along"] for track in manifest(bare)["tracks"]}
    assert wanted <= changed(before, bare)


def sounded_swing(folder: Path) -> set[tuple[str, str]]:
    """Long and short eighth as the sheets' MusicXML has them (4.0, `<swing>`)."""
    texts = [path.read_text("utf-8") for path in folder.rglob("*.musicxml")]
    found = (re.search(r"<first>(\d+)</first>\s*<second>(\d+)</second>", text) for text in texts)
    return {(swing[1], swing[2]) for swing in found if swing}


def test_a_changed_feel_makes_everything_again(tmp_path: Path) -> None:
    """Any file of the program, data too, may be what a result follows from: where a feel of a copy
    of the package swings otherwise, the sheets of a finished pack are printed anew."""
    package = shutil.copytree(Path(program.__file__).parent, tmp_path / "copy" / "drillgen")
    feel = next(package.rglob("feels/shuffle.yaml"))
    drill = tmp_path / "drill.yaml"
    drill.write_text("{progression: I, key_cycle: C, gaps: none, line: roots, feel: shuffle}")

    def build(folder: str) -> str:
        command = [sys.executable, "-m", "drillgen", "build", str(drill), "-o", folder, "--no-page"]
        surroundings = os.environ | {"PYTHONPATH": str(tmp_path / "copy")}
        done = subprocess.run(
            command, env=surroundings, cwd=tmp_path, capture_output=True, text=True, check=True
        )
        return done.stdout

    build("out")
    assert sounded_swing(tmp_path / "out") == {("2", "1")}
    assert "Nothing to do" in build("out")
    was = feel.read_text("utf-8")
    assert "swing: 2\n" in was
    feel.write_text(was.replace("swing: 2\n", "swing: 3\n"), "utf-8")
    assert "Made 1 track" in build("out")
    assert sounded_swing(tmp_path / "out") == {("3", "1")}
    build("fresh")
    assert contents(tmp_path / "out") == contents(tmp_path / "fresh")


def test_damaged_files_are_made_again(plan: Path, bare: Path, drillgen: Run) -> None:
    """A file that is gone, cut short, or changed without another length brings its track back as it
    was, and what was changed is kept beside it; the other tracks are not touched."""
    sound = contents(bare)
    names = [track["files"]["play-along"] for track in manifest(bare)["tracks"]]
    before = written(bare)
    (bare / names[0]).unlink()
    data = bytearray((bare / names[1]).read_bytes())
    data[-100] ^= 255
    (bare / names[1]).write_bytes(data)
    assert drillgen("build", plan, "-o", bare, *BARE).returncode == 0
    kept = names[1].replace(".wav", " (changed by hand).wav")
    assert contents(bare) == sound | {kept: bytes(data)}
    assert {names[0], names[1]} <= changed(before, bare)
    assert not any(name.startswith("02 Two/") for name in changed(before, bare))
    (bare / kept).unlink()
    (bare / names[2]).write_bytes(sound[names[2]][:1000])
    assert drillgen("build", plan, "-o", bare, *BARE).returncode == 0
    kept = names[2].replace(".wav", " (changed by hand).wav")
    assert contents(bare) == sound | {kept: sound[names[2]][:1000]}
    before = written(bare)
    assert "Nothing to do" in drillgen("build", plan, "-o", bare, *BARE).stdout
    assert written(bare) == before


def test_damage_is_not_forgotten(plan: Path, bare: Path, drillgen: Run, tmp_path: Path) -> None:
    """Another drill built into the folder renews the manifest; a file that was damaged before is
    made again all the same when its own drill is built next."""
    sound = contents(bare)
    name = manifest(bare)["tracks"][2]["files"]["play-along"]
    (bare / name).write_bytes(bytes(len(sound[name])))
    other = lesson(tmp_path / "other.yaml", {"Three": "tempo: 355"})
    assert drillgen("build", other, "-o", bare, *BARE).returncode == 0
    assert ("Three", 355) in tracks(bare) and ("Two", 350) in tracks(bare)
    assert drillgen("build", plan, "-o", bare, *BARE).returncode == 0
    assert (bare / name).read_bytes() == sound[name]


def test_processes_give_the_same_bytes(plan: Path, pack: Path, drillgen: Run) -> None:
    """Two worker processes write every file as one process does."""
    other = pack.with_name("other")
    done = drillgen("build", plan, "-o", other, "--jobs", "2")
    assert done.returncode == 0, done.stderr
    assert contents(other) == contents(pack)


@pytest.mark.parametrize("text", ["[]", "{", '{"tracks": [{"folder": 1}, 2]}'])
def test_a_manifest_that_a_person_was_at(plan: Path, bare: Path, drillgen: Run, text: str) -> None:
    """Where the manifest cannot be read, everything is made again as it was."""
    sound = contents(bare)
    (bare / "manifest.json").write_text(text)
    assert drillgen("build", plan, "-o", bare, *BARE).returncode == 0
    assert contents(bare) == sound


def test_nothing_outside_the_pack_is_removed(plan: Path, bare: Path, drillgen: Run) -> None:
    """A manifest that lists files outside the pack has none of them removed."""
    treasure = bare.parent / "treasure.txt"
    treasure.write_text("mine")
    text = (bare / "manifest.json").read_text("utf-8")
    name = manifest(bare)["tracks"][2]["files"]["play-along"]
    (bare / "manifest.json").write_text(text.replace(f'"{name}"', '"../treasure.txt"'), "utf-8")
    assert drillgen("build", plan, "-o", bare, *BARE, "--tempo", "345").returncode == 0
    assert treasure.read_text() == "mine"
