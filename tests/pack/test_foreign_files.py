"""Folders that hold more than a pack: nothing of somebody else's is lost, and it is said."""

from __future__ import annotations

import os
import zipfile
from pathlib import Path

import pytest

from drillgen.pack.files import PackError, zip_path
from tests.conftest import Run
from tests.pack.building import QUIET, TINY, contents, lesson, manifest


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "one.yaml"
    path.write_text(f"{{title: One, tempo: 360, {TINY}}}", "utf-8")
    return path


@pytest.mark.parametrize(
    "name",
    [
        "NOTES.txt",
        "index.html",
        "page.html",
        "manifest.json",
        "page/app.js",
        "One/recording.wav",
    ],
)
def test_a_folder_that_is_no_pack(plan: Path, tmp_path: Path, drillgen: Run, name: str) -> None:
    """What lies where a build would write is named, and nothing is changed or added: by name, and
    where the folder is the one that the person is in."""
    folder = tmp_path / "mine"
    (folder / name).parent.mkdir(parents=True)
    (folder / name).write_text('{"name": "somebody else\'s"}', "utf-8")
    before = contents(folder)
    for target, where in (("mine", tmp_path), (".", folder)):
        done = drillgen("build", plan, "-o", target, "--single-file", cwd=where)
        assert done.returncode == 2 and "Traceback" not in done.stderr
        assert name in done.stderr and "is there already" in done.stderr
        assert contents(folder) == before


def test_what_is_not_in_the_way(plan: Path, tmp_path: Path, drillgen: Run) -> None:
    """A folder with other things in it can become a pack; they stay as they are."""
    folder = tmp_path / "term"
    folder.mkdir()
    (folder / "homework.txt").write_text("mine")
    for _ in range(2):
        assert drillgen("build", plan, "-o", folder, "--quiet").returncode == 0
    assert (folder / "homework.txt").read_text() == "mine"
    assert (folder / "index.html").exists()


def test_a_file_in_a_pack_that_is_not_the_pack_s(plan: Path, tmp_path: Path, drillgen: Run) -> None:
    """A teacher's own sheet where a drill's would go is named and stays."""
    pack = tmp_path / "pack"
    assert drillgen("build", plan, "-o", pack, *QUIET).returncode == 0
    (pack / "One" / "sheet.pdf").write_text("written by hand")
    done = drillgen("build", plan, "-o", pack, "--no-page", "--quiet")
    assert done.returncode == 2 and "sheet.pdf is there already" in done.stderr
    assert (pack / "One" / "sheet.pdf").read_text() == "written by hand"
    (pack / "One" / "sheet.pdf").rename(pack / "One" / "mine.pdf")
    assert drillgen("build", plan, "-o", pack, "--no-page", "--quiet").returncode == 0
    assert (pack / "One" / "mine.pdf").read_text() == "written by hand"
    assert (pack / "One" / "sheet.pdf").read_bytes().startswith(b"%PDF")


def test_a_zip_that_is_something_else(plan: Path, tmp_path: Path, drillgen: Run) -> None:
    """A file beside the folder is replaced only where it is a zip of this pack."""
    target = tmp_path / "pack.zip"
    target.write_text("not a zip")
    done = drillgen("build", plan, "-o", "pack", "--zip", *QUIET, cwd=tmp_path)
    assert done.returncode == 2 and "pack.zip is there already" in done.stderr
    assert target.read_text() == "not a zip"
    target.unlink()
    for tempo in ("360", "350"):
        done = drillgen(
            "build", plan, "-o", "pack", "--zip", "--tempo", tempo, *QUIET, cwd=tmp_path
        )
        assert done.returncode == 0, done.stderr
        assert done.stdout.splitlines()[-1].endswith(": pack.zip")
        with zipfile.ZipFile(target) as packed:
            assert any(f" - {tempo}.wav" in name for name in packed.namelist())


def test_other_drills_keep_their_page(plan: Path, tmp_path: Path, drillgen: Run) -> None:
    """A drill that is built without a page into a pack leaves the others theirs, which names them
    alone; notes, manifest and command say what the pack holds."""
    pack = tmp_path / "pack"
    assert drillgen("build", plan, "-o", pack, "--no-sheets").returncode == 0
    two = lesson(tmp_path / "two.yaml", {"Two": "tempo: 350", "Three": "tempo: 340"})
    done = drillgen("build", two, "-o", pack, *QUIET)
    assert done.returncode == 0 and "from earlier builds: One." in done.stdout
    page = (pack / "index.html").read_text("utf-8")
    assert "<title>One</title>" in page and "Three" not in page
    files = {name for entry in manifest(pack)["page"] for name in entry["bytes"]}
    assert files and all((pack / name).exists() for name in files)
    notes = (pack / "NOTES.txt").read_text("utf-8-sig")
    assert notes.splitlines()[0] == "Term and 1 more drill"
    assert drillgen("build", two, "-o", pack, "--no-sheets").returncode == 0
    page = (pack / "index.html").read_text("utf-8")
    assert all(title in page for title in ("Term and 1 more drill", "One", "Two", "Three"))


@pytest.mark.parametrize(
    "name", [".making/mine.txt", ".placing", ".building", ".part-0123456789abcdef"]
)
def test_hidden_files_that_no_build_has_left(
    plan: Path, tmp_path: Path, drillgen: Run, name: str
) -> None:
    """Files in a folder that is no pack are named and kept, though a build has such names, too."""
    folder = tmp_path / "mine"
    (folder / name).parent.mkdir(parents=True)
    (folder / name).write_text("mine")
    done = drillgen("build", plan, "-o", folder, *QUIET)
    assert done.returncode == 2 and f"{name.partition('/')[0]} is there already" in done.stderr
    assert contents(folder) == {name: b"mine"}


@pytest.mark.skipif(os.name != "posix", reason="links as POSIX has them")
@pytest.mark.parametrize("name", [".making", ".placing", ".building"])
@pytest.mark.parametrize("in_a_pack", [False, True])
def test_links_are_not_followed(
    plan: Path, tmp_path: Path, drillgen: Run, name: str, in_a_pack: bool
) -> None:
    """Where a link has one of these names, what it leads to is left as it is, in a pack, too."""
    folder, victim = tmp_path / "mine", tmp_path / "victim"
    folder.mkdir()
    if in_a_pack:
        assert drillgen("build", plan, "-o", folder, *QUIET).returncode == 0
    if name == ".making":
        victim.mkdir()
        (victim / "a.txt").write_text("mine")
    else:
        victim.write_text("mine")
    (folder / name).symlink_to(victim)
    done = drillgen("build", plan, "-o", folder, *QUIET, "--tempo", "350")
    assert done.returncode == 2 and f"{name} is there already" in done.stderr
    assert (victim / "a.txt" if name == ".making" else victim).read_text() == "mine"
    assert name != ".making" or [path.name for path in victim.iterdir()] == ["a.txt"]


def test_after_a_lost_manifest(plan: Path, tmp_path: Path, drillgen: Run) -> None:
    """A pack whose manifest was cut short takes another drill, then its former one again, whose
    files lie there unlisted; what a person has put in their place is named and stays."""
    pack, plain = tmp_path / "pack", ("--no-page", "--quiet")
    assert drillgen("build", plan, "-o", pack, *plain).returncode == 0
    before = contents(pack)
    (pack / "manifest.json").write_bytes(before["manifest.json"][:500])
    assert drillgen("build", plan, "-o", pack, *plain, "--tempo", "300").returncode == 0
    done = drillgen("build", plan, "-o", pack, *plain)
    assert done.returncode == 0, done.stderr
    assert before.items() <= contents(pack).items()
    (pack / "manifest.json").write_bytes(before["manifest.json"][:500])
    assert drillgen("build", plan, "-o", pack, *plain, "--tempo", "310").returncode == 0
    mine = next(pack.glob("One/* - 360.wav"))
    mine.write_bytes(b"mine")
    done = drillgen("build", plan, "-o", pack, *plain)
    assert done.returncode == 2 and f"{mine.name} is there already" in done.stderr
    assert mine.read_bytes() == b"mine"


def test_no_zip_lies_beside_everything() -> None:
    """The folder that all others are in has no place beside it: said, not stumbled over."""
    with pytest.raises(PackError, match="name a folder in it"):
        zip_path(Path(os.sep))
