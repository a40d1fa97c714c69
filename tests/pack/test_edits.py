"""What a person has changed in a pack by hand is named and kept."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

import pytest

from tests.conftest import Run
from tests.pack.building import changed, contents, lesson, written
from tests.pack.conftest import built

EDITED = ["One/sheet.musicxml", "One/sheet.svg", "NOTES.txt", "index.html", "page/stand.js"]


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    return lesson(tmp_path / "term.yaml", {"One": "tempo: 360"})


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, notes: Path) -> Path:
    """The drill's pack, its zip beside it."""
    folder = tmp_path_factory.mktemp("made")
    built(notes, lesson(folder / "term.yaml", {"One": "tempo: 360"}), folder / "pack", "--zip")
    return folder


@pytest.fixture
def pack(made: Path, tmp_path: Path) -> Path:
    """A copy of it, with the files' times."""
    shutil.copy2(made / "pack.zip", tmp_path)
    return Path(shutil.copytree(made / "pack", tmp_path / "pack"))


def aside(name: str) -> str:
    stem, _, ending = name.rpartition(".")
    return f"{stem} (changed by hand).{ending}"


@pytest.mark.parametrize("same_length", [False, True])
def test_edits_are_kept_beside(plan: Path, pack: Path, drillgen: Run, same_length: bool) -> None:
    """Each file that a person has changed is named with its new name, under which it lies with its
    bytes; the pack is as it was; and the command does not say that there was nothing to do.  After
    that there is nothing to do."""
    before = contents(pack)
    mine = {}
    for name in EDITED:
        content = before[name]
        mine[name] = content[:-1] + b"~" if same_length else content + b"<!-- mine -->"
        (pack / name).write_bytes(mine[name])
    done = drillgen("build", plan, "-o", pack)
    assert done.returncode == 0 and "Nothing to do" not in done.stdout
    assert "made anew: " in done.stdout and "NOTES.txt" in done.stdout
    for name in EDITED:
        assert f"{name} was changed by hand: that is kept as {aside(name)}" in done.stderr
    assert contents(pack) == before | {aside(name): data for name, data in mine.items()}
    assert "Nothing to do" in drillgen("build", plan, "-o", pack).stdout


def test_edits_of_what_is_no_longer_made(plan: Path, pack: Path, drillgen: Run) -> None:
    """A sheet that a person has changed is kept where the build makes no sheets any more; the
    others go."""
    (pack / "One/sheet.musicxml").write_text("mine")
    done = drillgen("build", plan, "-o", pack, "--no-sheets")
    assert done.returncode == 0 and "One/sheet.musicxml was changed by hand" in done.stderr
    left = [path.name for path in (pack / "One").glob("sheet*")]
    assert left == ["sheet (changed by hand).musicxml"]


def test_a_second_edit_keeps_the_first(plan: Path, pack: Path, drillgen: Run) -> None:
    """Names of kept files are counted on."""
    for words in ("one", "two"):
        (pack / "NOTES.txt").write_text(words)
        assert drillgen("build", plan, "-o", pack).returncode == 0
    assert (pack / "NOTES (changed by hand).txt").read_text() == "one"
    assert (pack / "NOTES (changed by hand 2).txt").read_text() == "two"


def test_a_copy_without_its_times_is_whole(
    plan: Path, pack: Path, tmp_path: Path, drillgen: Run
) -> None:
    """A pack that was copied without the times of its files is told by their checksums: nothing is
    made again, nothing is taken for an edit."""
    shutil.copytree(pack, tmp_path / "copy", copy_function=shutil.copyfile)
    for path in sorted((tmp_path / "copy").rglob("*.*"), reverse=True):
        if path.name != "manifest.json":
            path.touch()
    before = written(tmp_path / "copy")
    done = drillgen("build", plan, "-o", tmp_path / "copy")
    assert "Nothing to do" in done.stdout and not done.stderr
    assert changed(before, tmp_path / "copy") == set()
    assert "changed by hand" not in " ".join(contents(tmp_path / "copy"))


def test_other_bytes_of_an_older_build_are_no_edit(plan: Path, pack: Path, drillgen: Run) -> None:
    """What an earlier build has made and this one makes otherwise is replaced, not kept."""
    done = drillgen("build", plan, "-o", pack, "--room", "large", "--set", "note=Other words")
    assert done.returncode == 0
    assert "changed by hand" not in done.stderr + " ".join(contents(pack))


def test_a_zip_made_by_hand_stays(plan: Path, pack: Path, drillgen: Run) -> None:
    """A zip of the pack's name that a person has made, or has added something to, is named and
    stays, though the pack's manifest is in it; one that a build has made is replaced."""
    target = pack.with_name("pack.zip")
    done = drillgen("build", plan, "-o", pack, "--zip", "--set", "note=Other words")
    assert done.returncode == 0 and "pack.zip" in done.stdout
    with zipfile.ZipFile(target, "a") as packed:
        packed.writestr("pack/homework.txt", "mine")
    added = target.read_bytes()
    shutil.make_archive(str(pack.with_name("made")), "zip", pack.parent, "pack")
    for content in (added, pack.with_name("made.zip").read_bytes()):
        target.write_bytes(content)
        done = drillgen("build", plan, "-o", pack, "--zip")
        assert done.returncode == 2 and "pack.zip is there already" in done.stderr
        assert target.read_bytes() == content
