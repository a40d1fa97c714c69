"""Packs that somebody else has made: nothing in them is run, and nothing outside them is touched.

The dangers are those of CWE-22 (path traversal), CWE-59 (link following), CWE-502 (deserialization
of untrusted data) and CWE-426 (untrusted search path) of the Common Weakness Enumeration.
"""

from __future__ import annotations

import json
import os
import pickle
import shutil
import stat
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from drillgen.pack.inside import is_name
from tests.conftest import Run
from tests.pack.building import QUIET, contents, lesson, manifest, started, until
from tests.pack.conftest import built

LINKS = pytest.mark.skipif(os.name != "posix", reason="links as POSIX has them")


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    return lesson(tmp_path / "term.yaml", {"One": "tempo: 360"})


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory, notes: Path) -> Path:
    """A pack of another drill, and beside it that drill."""
    folder = tmp_path_factory.mktemp("sent")
    other = lesson(folder / "other.yaml", {"Other": "tempo: 350"})
    built(notes, other, folder / "sent", *QUIET)
    return folder


@pytest.fixture
def pack(sent: Path, tmp_path: Path) -> Path:
    """It, as a stranger may have sent it, beside the person's own papers."""
    shutil.copytree(sent, tmp_path, dirs_exist_ok=True)
    (tmp_path / "papers").mkdir()
    (tmp_path / "papers" / "thesis.odt").write_text("mine")
    return tmp_path / "sent"


def papers(tmp_path: Path) -> dict[str, bytes]:
    return contents(tmp_path / "papers")


class Trap:
    """Unpickled, it makes a file."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[Any, ...]]:
        return os.mkdir, (str(self._path),)


def test_a_pickle_in_the_pack_is_not_opened(
    plan: Path, pack: Path, tmp_path: Path, drillgen: Run
) -> None:
    """Pickles, in folders of a build's names too, are never loaded; a build works in a folder that
    is new, has a random name, and is nobody else's to look into."""
    sprung = tmp_path / "sprung"
    for folder in (".making", ".making/track 1", ".making-0123456789abcdef/track 1", "One"):
        (pack / folder).mkdir(parents=True, exist_ok=True)
        for name in ("track.pickle", "value", "sheets 0"):
            (pack / folder / name).write_bytes(pickle.dumps(Trap(sprung)))
    names = set()
    with started("build", plan, "-o", pack, "--jobs", "2", "--no-page") as process:

        def at_work() -> Any:
            found = [path for path in pack.glob(".making-*") if path.name[8:] != "0123456789abcdef"]
            return found or process.poll() is not None

        made = until(at_work)
        if made is not True:
            names.add(made[0].name)
            assert stat.S_IMODE(made[0].stat().st_mode) == 0o700
        process.communicate()
        assert process.returncode == 0
    assert not sprung.exists() and names
    assert not [name for name in contents(pack) if name.startswith(".")]


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_python_files_in_the_pack_are_not_imported(
    pack: Path, tmp_path: Path, drillgen: Run, jobs: str
) -> None:
    """A build from within a stranger's folder imports nothing from there, nor do its workers
    (Python's own `-c` would look there first)."""
    for name in ("json", "pickle", "drillgen", "numpy", "typst"):
        (pack / f"{name}.py").write_text(f"open({str(tmp_path / 'sprung')!r}, 'w')\n")
    plan = lesson(tmp_path / "two.yaml", {"A": "tempo: [360, 350]", "B": "tempo: [360, 350]"})
    program = "import sys; sys.path.pop(0); from drillgen.cli import main; main()"
    command = [sys.executable, "-c", program, "build", plan, "-o", ".", "--jobs", jobs, *QUIET]
    done = subprocess.run(list(map(str, command)), cwd=pack, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    assert not (tmp_path / "sprung").exists()


# Names that lead elsewhere on some system: as POSIX, as Windows, as a terminal has them.
OUTSIDE = [
    "../papers/thesis.odt", "/etc/passwd", "C:/thesis.odt", "C:thesis.odt", "..\\papers\\x.odt",
    "a/../../papers/x.odt", "\\\\server\\share\\x", "a//b", "./a", "a/.", "", "a\0b", "a\x1b[2J",
    ".building", ".git/hooks/post-commit", "nul", "a/CON.wav", "a/.. /b", "a/.../b", "x" * 300,
    "/".join("abcdefghijk"),
]  # fmt: skip


@pytest.mark.parametrize("name", OUTSIDE)
def test_names_that_lead_out(name: str) -> None:
    """No such name is a pack's file's; those that packs have are."""
    assert not is_name(name)
    assert is_name("01 Thirds/01 Thirds - 6 keys from C - 72 with line.wav") and is_name("Étude ♭")


@LINKS
@pytest.mark.parametrize("place", ["manifest", "log"])
@pytest.mark.parametrize("name", ["docs/thesis.odt", "../papers/thesis.odt"])
def test_listed_files_that_lie_elsewhere_stay(
    plan: Path, pack: Path, tmp_path: Path, drillgen: Run, place: str, name: str
) -> None:
    """A file outside the folder that the manifest or the intent log names, through a link or by
    `..`, is neither removed nor packed up, and its entry is nobody's track."""
    (pack / "docs").symlink_to("../papers")
    document = manifest(pack)
    if place == "manifest":
        document["tracks"][0]["files"]["midi"] = name
        document["tracks"][0]["bytes"][name] = 4
        (pack / "manifest.json").write_text(json.dumps(document), "utf-8")
    else:
        (pack / ".placing").write_text(
            f"drillgen puts these files into the pack or takes them out of it:\n\n{name}\t4 -\n"
        )
    before = papers(tmp_path)
    other = tmp_path / "other.yaml"
    for source in (plan, other):
        done = drillgen("build", source, "-o", pack, "--zip", *QUIET, "--tempo", "340")
        assert "Traceback" not in done.stderr and papers(tmp_path) == before
        assert done.returncode in (0, 2)
        if done.returncode == 0:
            with zipfile.ZipFile(tmp_path / "sent.zip") as packed:
                assert not [each for each in packed.namelist() if "thesis" in each]


@LINKS
@pytest.mark.parametrize("folder", ["One", "page", "One/stems"])
def test_nothing_is_written_through_a_link(
    plan: Path, pack: Path, tmp_path: Path, drillgen: Run, folder: str
) -> None:
    """A folder that the build would fill and that is a link is named, and nothing is written to
    where it leads."""
    (pack / folder).parent.mkdir(exist_ok=True)
    (pack / folder).symlink_to(tmp_path / "papers")
    before = papers(tmp_path)
    done = drillgen("build", plan, "-o", pack, "--stems", "--no-sheets", "--quiet")
    assert done.returncode == 2 and "a link leads out of it" in done.stderr, done.stderr
    assert folder.split("/")[0] in done.stderr and papers(tmp_path) == before


@LINKS
def test_linked_files_are_not_packed_up(pack: Path, tmp_path: Path, drillgen: Run) -> None:
    """A listed file that is a link is made anew where it is this drill's; another drill's keeps its
    zip from being made, and is named."""
    wav = next(pack.glob("Other/* - 350.wav"))
    size = wav.stat().st_size
    (tmp_path / "papers" / "long.wav").write_bytes(b"m" * size)
    wav.unlink()
    wav.symlink_to(tmp_path / "papers" / "long.wav")
    plan = lesson(tmp_path / "one.yaml", {"One": "tempo: 360"})
    done = drillgen("build", plan, "-o", pack, "--zip", *QUIET)
    assert done.returncode == 2 and wav.name in done.stderr and "link" in done.stderr
    assert not (tmp_path / "sent.zip").exists()
    done = drillgen("build", tmp_path / "other.yaml", "-o", pack, "--zip", *QUIET)
    assert done.returncode == 0, done.stderr
    assert wav.is_file() and not wav.is_symlink()
    assert (tmp_path / "papers" / "long.wav").read_bytes() == b"m" * size


@LINKS
@pytest.mark.parametrize("name", ["manifest.json", ".placing", ".building"])
@pytest.mark.parametrize("kind", ["fifo", "device", "folder"])
def test_what_can_never_be_read_to_its_end(
    plan: Path, pack: Path, drillgen: Run, name: str, kind: str
) -> None:
    """A pipe, a device or a folder in the place of a build's own file is named at once."""
    (pack / name).unlink(missing_ok=True)
    if kind == "fifo":
        os.mkfifo(pack / name)
    elif kind == "device":
        (pack / name).symlink_to("/dev/zero")
    else:
        (pack / name).mkdir()
    done = drillgen("build", plan, "-o", pack, *QUIET)
    assert done.returncode == 2 and f"{name} is there already" in done.stderr


def test_a_manifest_without_end(plan: Path, pack: Path, drillgen: Run) -> None:
    """A manifest of a terabyte (a sparse file) is taken as damaged, without being read."""
    with (pack / "manifest.json").open("wb") as file:
        try:
            file.truncate(1 << 40)
        except OSError:
            file.truncate(1 << 30)
    assert drillgen("build", plan, "-o", pack, *QUIET).returncode == 0
    assert [track["drill"] for track in manifest(pack)["tracks"]] == ["One"]


def test_a_foreign_script_is_not_taken_into_the_page(
    plan: Path, pack: Path, tmp_path: Path, drillgen: Run
) -> None:
    """A page in one file takes the data of other drills, and never code: a script that is none of
    ours is refused in plain words."""
    other = tmp_path / "other.yaml"
    assert drillgen("build", other, "-o", pack, "--no-sheets", "--quiet").returncode == 0
    script = next(pack.glob("page/drill-*.js"))
    size = script.stat().st_size
    code = b'alert("sprung");'
    script.write_bytes(code + b" " * (size - len(code)))
    done = drillgen("build", plan, "-o", pack, "--no-sheets", "--single-file", "--quiet")
    assert "Traceback" not in done.stderr
    assert done.returncode == 2 and "script that no build has written" in done.stderr
    assert not (pack / "page.html").exists()
