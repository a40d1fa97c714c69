"""Days on which something is missing, full, locked or killed: plain words, and whole files."""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path

import pytest
from click.testing import CliRunner

from drillgen.cli import main
from tests import forking
from tests.conftest import Run
from tests.forking import Begun
from tests.pack.building import (
    BARE,
    LONG,
    children,
    contents,
    kill,
    lesson,
    runs,
    started,
    tracks,
    until,
    written,
)
from tests.pack.conftest import embedded_soundfont

LINUX = pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
TEMPOS = "tempo: [360, 350, 340, 330, 320, 310]"


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    return lesson(tmp_path / "term.yaml", {"One": TEMPOS})


def refused(done: subprocess.CompletedProcess[str], *words: str) -> None:
    """Exit code 2, these words on standard error, and no traceback."""
    assert done.returncode == 2, (done.stdout, done.stderr)
    assert "Traceback" not in done.stderr
    for word in words:
        assert word in done.stderr, done.stderr


def test_no_soundfont(plan: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no soundfont is found, the command says where to put one, and makes no folder."""
    monkeypatch.delenv("DRILLGEN_SOUNDFONT")
    monkeypatch.setattr("drillgen.sound.soundfonts._files", lambda: iter(()))
    done = CliRunner().invoke(main, ["build", str(plan), "-o", str(plan.parent / "out")])
    assert done.exit_code == 2 and "No soundfont was found: put an .sf2" in done.output
    assert not (plan.parent / "out").exists()


def test_what_is_no_soundfont(plan: Path, tmp_path: Path, drillgen: Run) -> None:
    """A file that is there and of another kind is said to be; where the environment names one that
    is not, the variable is named."""
    done = drillgen("build", plan, "-o", tmp_path / "out", "--soundfont", plan)
    refused(done, f"{plan} is no soundfont", ".sf2")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DRILLGEN_SOUNDFONT", str(tmp_path / "nowhere.sf2"))
        done = drillgen("build", plan, "-o", tmp_path / "out")
    refused(done, "DRILLGEN_SOUNDFONT", "nowhere.sf2")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("kept", [0.02, 0.5, 0.99])
def test_a_truncated_soundfont(plan: Path, tmp_path: Path, drillgen: Run, kept: float) -> None:
    """A soundfont of which the end is missing is named, whatever is missing."""
    whole = embedded_soundfont().read_bytes()
    short = tmp_path / "short.sf2"
    short.write_bytes(whole[: round(len(whole) * kept)])
    done = drillgen("build", plan, "-o", tmp_path / "out", "--soundfont", short)
    refused(done, "short.sf2")
    assert not (tmp_path / "out").exists()


def test_a_soundfont_that_is_damaged_within(plan: Path, tmp_path: Path, drillgen: Run) -> None:
    """A table that points beyond the next one is found out before anything is made."""
    data = bytearray(embedded_soundfont().read_bytes())
    # SoundFont 2.04, 7.3: a record of pbag begins with its index into pgen, 16 bits.
    place = data.index(b"pbag") + 8
    data[place : place + 2] = b"\xff\xff"
    bad = tmp_path / "bad.sf2"
    bad.write_bytes(data)
    refused(drillgen("build", plan, "-o", tmp_path / "a" / "out", "--soundfont", bad), "bad.sf2")
    assert not (tmp_path / "a").exists()


def test_no_synthesiser(plan: Path, tmp_path: Path, drillgen: Run) -> None:
    """Where FluidSynth's library is not found, that is said, and no folder is made."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DRILLGEN_FLUIDSYNTH", str(tmp_path / "nowhere.so"))
        done = drillgen("build", plan, "-o", tmp_path / "out")
    refused(done, "FluidSynth", "nowhere.so")
    assert not (tmp_path / "out").exists()


def test_a_missing_preset(tmp_path: Path, drillgen: Run) -> None:
    """One drill's instrument is not in the soundfont: another plays it, and that is said with what
    the chosen one lacks; all drills are made."""
    short = tmp_path / "without.sf2"
    data = bytearray(embedded_soundfont().read_bytes())
    # SoundFont 2.04, 7.2: a record of phdr begins with 20 bytes of name, then preset and bank.
    place = data.index(b"phdr") + 8
    while data[place + 20 : place + 24] != bytes((11, 0, 0, 0)):  # vibraphone: GM program 12
        place += 38
    data[place + 22] = 99
    short.write_bytes(data)
    plan = lesson(
        tmp_path / "term.yaml",
        {
            "One": "tempo: 360",
            "Two": "{tempo: 360, comping: vibraphone}",
        },
    )
    text = plan.read_text().replace("{tempo: 360, comping: vibraphone}, ", "tempo: 360, ")
    first, _, second = text.rpartition("comping: off")
    plan.write_text(f"{first}comping: vibraphone{second}")
    done = drillgen("build", plan, "-o", tmp_path / "out", "--soundfont", short)
    assert done.returncode == 0, done.stderr
    assert re.search(r"has no General MIDI program 12; .+ plays the comping part", done.stderr)
    assert tracks(tmp_path / "out") == [("One", 360), ("Two", 360)]


# No file of the command may pass 30 kB; writing on fails with EFBIG (POSIX setrlimit).
LIMITED = """
import resource, signal, sys
from drillgen.cli import main
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))
main(sys.argv[1:], prog_name="drillgen")
"""


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_a_file_that_cannot_grow(plan: Path, tmp_path: Path, jobs: str) -> None:
    """Where the system lets no file grow, as with a quota, the folder is named once, and nothing
    half-written is left."""
    command = ["build", str(plan), "-o", str(tmp_path / "out"), "--jobs", jobs, "--no-sheets"]
    done = forking.run(command, program=LIMITED)
    refused(done, f"cannot write into {tmp_path / 'out'}: file too large")
    assert len(done.stderr.strip().splitlines()) == 1
    assert not [name for name in contents(tmp_path / "out") if name != "manifest.json"]


@contextmanager
def mounted(folder: Path, options: str) -> Iterator[Path]:
    """A file system in memory; the test is skipped where none can be mounted."""
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", options, "drillgen", str(folder)]
    if not shutil.which("mount") or subprocess.run(command, capture_output=True).returncode:
        pytest.skip("only root on Linux may mount a small disk")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk(plan: Path, tmp_path: Path, drillgen: Run) -> None:
    """The disk is full after some of the tracks: the command says so; what is finished is whole,
    and with more room the next build goes on from there."""
    assert drillgen("build", plan, "-o", tmp_path / "whole").returncode == 0
    whole = contents(tmp_path / "whole")
    size = sum(len(content) for content in whole.values())
    with mounted(tmp_path / "disk", f"size={round(size * 0.6)}") as disk:
        done = drillgen("build", plan, "-o", disk / "out")
        refused(done, f"cannot write into {disk / 'out'}: no space left on device")
        found = contents(disk / "out")
        assert found.pop("manifest.json")
        assert found and all(whole[name] == content for name, content in found.items())
        before = written(disk / "out")
        listed = tracks(disk / "out")
        assert 0 < len(listed) < 6
        subprocess.run(["mount", "-o", f"remount,size={size * 3}", str(disk)], check=True)
        done = drillgen("build", plan, "-o", disk / "out")
        assert f"Made {6 - len(listed)} of 6 tracks" in done.stdout
        assert contents(disk / "out") == whole
        after = written(disk / "out")
        kept = [name for name in before if name.endswith(".wav")]
        assert all(after[name] == before[name] for name in kept)


@contextmanager
def read_only(folder: Path, existing: bool) -> Iterator[Path]:
    """A folder for a pack that may not be written into or made: permissions do not hold root back,
    a disk that is mounted for reading does."""
    root = os.geteuid() == 0
    folder.mkdir()
    with mounted(folder / "disk", "size=1m") if root else nullcontext(folder) as top:
        out = top / "out"
        if existing:
            out.mkdir(0o555)
        if root:
            subprocess.run(["mount", "-o", "remount,ro", str(top)], check=True)
        else:
            top.chmod(0o555)
        yield out
        if not root:
            top.chmod(0o755)


@pytest.mark.skipif(os.name != "posix", reason="permissions as POSIX has them")
@pytest.mark.parametrize("existing", [True, False])
def test_a_read_only_target(plan: Path, tmp_path: Path, drillgen: Run, existing: bool) -> None:
    """A folder that may not be written into, or made, is named in one line."""
    with read_only(tmp_path / "top", existing) as out:
        done = drillgen("build", plan, "-o", out)
    refused(done, str(out))
    assert re.search("permission denied|read-only file system", done.stderr)
    assert len(done.stderr.strip().splitlines()) == 1


def killed_after(process: Begun, pack: Path, count: int) -> bool:
    """Kill a build when so many files have appeared; False where it has ended before."""
    before = appeared(pack)
    seen: set[tuple[str, int]] = set()

    def there() -> bool:
        seen.update(appeared(pack) - before)
        return len(seen) >= count or process.poll() is not None

    until(there)
    process.kill()
    return process.wait() == -signal.SIGKILL


def appeared(pack: Path) -> set[tuple[str, int]]:
    """Which file lies under each name just now, hidden ones included; they come and go."""
    found = set()
    for folder, _, names in os.walk(pack):
        for name in names:
            with suppress(FileNotFoundError):
                path = Path(folder, name)
                found.add((str(path), path.stat().st_ino))
    return found


def test_killed_at_any_moment(tmp_path: Path, drillgen: Run) -> None:
    """Killed with SIGKILL four times, by turns in one process and in two, each time when a random
    number of files has appeared, from the first quarter of them to the last, those that are not
    finished included (`make fuzz` goes on with that): what the pack shows is always whole files (of
    either version asked for), and the next build completes it and sweeps what was left
    half-done."""
    plan = lesson(tmp_path / "term.yaml", {"One": "tempo: [360, 350]", "Two": "tempo: [355, 345]"})
    versions = []
    for number, options in enumerate((["--room", "off"], ["--room", "small", "--stems"])):
        whole = tmp_path / f"whole {number}"
        assert drillgen("build", plan, "-o", whole, *options).returncode == 0
        versions.append((options, contents(whole)))
    pack = tmp_path / "out"
    chance = random.Random(7)
    most = sum(name.endswith(".wav") for name in versions[0][1])  # every build of it makes more
    quarters = chance.sample(range(4), 4)
    for number, quarter in enumerate(quarters):
        command = ("build", plan, "-o", pack, "--jobs", str(1 + number // 2))
        count = 1 + int(2 * most * (quarter + chance.random()) / 4)
        for options, _ in (versions[number % 2], versions[1 - number % 2]):
            with started(*command, *options) as process:
                killed = killed_after(process, pack, count)
            if killed:  # else so much was there that it ended before; then the other has all to do
                break
        assert killed
        shown = {name: data for name, data in contents(pack).items() if not name.startswith(".")}
        shown.pop("manifest.json", None)
        for name, data in shown.items():
            assert data in [whole.get(name) for _, whole in versions], name
    for options, whole in versions:
        done = drillgen("build", plan, "-o", pack, *options)
        assert done.returncode == 0, done.stderr
        assert contents(pack) == whole


@LINUX
def test_workers_do_not_outlive_their_build(tmp_path: Path) -> None:
    """When a build is killed, its workers end, too."""
    plan = lesson(tmp_path / "term.yaml", {"One": "tempo: [180, 181, 182, 183]"}, LONG)
    with started("build", plan, "-o", tmp_path / "out", "--jobs", "2") as process:
        workers = until(lambda: len(found := children(process)) == 2 and found)
        process.kill()
        until(lambda: not any(map(runs, workers)), 10)


@LINUX
def test_a_killed_worker(tmp_path: Path, drillgen: Run) -> None:
    """A worker that is killed while it makes a track: the command names the track, makes all the
    others, and ends with exit code 1; the next build makes what is missing."""
    plan = lesson(tmp_path / "term.yaml", {"One": "tempo: [180, 181, 182, 183]"}, LONG)
    pack = tmp_path / "out"
    command = ("build", plan, "-o", pack, "--no-sheets", "--no-page")
    with started(*command, "--jobs", "2") as process:
        until(lambda: list(pack.glob("01 */*.wav")) or list(pack.glob("One/*.wav")))
        kill(children(process)[0])
        _, said = process.communicate()
        assert process.returncode == 1, said
    assert "One - 3 keys from C - 18" in said and "SIGKILL" in said and "Traceback" not in said
    assert "3 of 4 tracks" in said and len(tracks(pack)) == 3
    done = drillgen(*command)
    assert "Made 1 of 4 tracks" in done.stdout and len(tracks(pack)) == 4


@LINUX
@pytest.mark.parametrize(
    ("ending", "options"),
    [
        (signal.SIGINT, ("--jobs", "1")),
        (signal.SIGINT, ("--jobs", "2", *BARE)),
        (signal.SIGTERM, ("--jobs", "2", *BARE)),
        (signal.SIGHUP, ("--jobs", "1", *BARE)),
    ],
)
def test_ctrl_c(
    tmp_path: Path, drillgen: Run, ending: signal.Signals, options: tuple[str, ...]
) -> None:
    """Ctrl-C in the middle, or what a shutdown or a terminal that is closed sends: exit code 128
    and the signal's number, as shells have it, one line, no worker left, every finished track
    listed, none half-done; the next build makes the others alone."""
    plan = lesson(tmp_path / "term.yaml", {"One": "tempo: [180, 181, 182, 183]"}, LONG)
    pack = tmp_path / "out"
    with started("build", plan, "-o", pack, *options) as process:
        until(lambda: list(pack.glob("*/*.wav")))
        workers = children(process)
        process.send_signal(ending)
        said = process.communicate()
    assert process.returncode == 128 + ending, said
    assert len(said[1].strip().splitlines()) == 1 and "kept" in said[1]
    until(lambda: not any(map(runs, workers)), 10)
    listed = tracks(pack)
    assert 1 <= len(listed) < 4
    assert len(list(pack.glob("*/*.wav"))) == 2 * len(listed)
    assert not [name for name in contents(pack) if name.startswith(".")]
    before = written(pack)
    done = drillgen("build", plan, "-o", pack, *options)
    assert f"Made {4 - len(listed)} of 4 tracks" in done.stdout
    after = written(pack)
    assert all(after[name] == before[name] for name in before if name.endswith(".wav"))


def test_ctrl_c_before_anything_is_made(tmp_path: Path) -> None:
    """Where no track was finished, and so no folder is there, nothing is said to be kept."""
    plan = lesson(tmp_path / "long.yaml", {"One": "tempo: 60, passes: 12"}, LONG)
    pack = tmp_path / "out"
    with started("build", plan, "-o", pack, "--jobs", "1", *BARE) as process:
        until(lambda: list(pack.glob(".making-*")))
        process.send_signal(signal.SIGINT)
        _, said = process.communicate()
    assert process.returncode == 128 + signal.SIGINT and not pack.exists()
    assert said.strip() == "Stopped. Nothing was finished."


def test_two_builds_into_one_folder(tmp_path: Path, drillgen: Run) -> None:
    """The second is told who is at work there, and stops; the first is not disturbed."""
    plan = lesson(tmp_path / "term.yaml", {"One": "tempo: [180, 181, 182, 183]"}, LONG)
    pack = tmp_path / "out"
    with started("build", plan, "-o", pack, *BARE) as process:
        until((pack / ".building").exists)
        until(lambda: (pack / ".building").read_text())
        refused(
            drillgen("build", plan, "-o", pack, *BARE),
            "is being built by process",
            str(process.pid),
        )
        said, _ = process.communicate()
        assert process.returncode == 0 and "Made 4 tracks" in said
    assert not [name for name in contents(pack) if name.startswith(".")]
    assert "Nothing to do" in drillgen("build", plan, "-o", pack, *BARE).stdout


@pytest.mark.parametrize("ending", [signal.SIGKILL, signal.SIGTERM])
def test_ended_while_it_is_zipped(tmp_path: Path, drillgen: Run, ending: signal.Signals) -> None:
    """Killed while the zip is made: beside the folder there is no zip, or a whole one, and nothing
    else; the next build leaves nothing of it in the folder either."""
    plan = lesson(tmp_path / "term.yaml", {"One": TEMPOS})
    (tmp_path / "here").mkdir()
    pack = tmp_path / "here" / "out"
    command = ("build", plan, "-o", pack, "--stems", *BARE)
    assert drillgen(*command).returncode == 0
    whole = contents(pack)
    with started(*command, "--zip") as process:
        until(lambda: list(pack.glob(".making-*/*.zip")) or process.poll() is not None)
        process.send_signal(ending)
        process.communicate()
    assert {path.name for path in pack.parent.iterdir()} <= {"out", "out.zip"}
    for path in pack.parent.glob("*.zip"):
        with zipfile.ZipFile(path) as packed:
            assert packed.testzip() is None
    assert drillgen(*command).returncode == 0
    assert contents(pack) == whole


def test_a_zip_on_another_disk(tmp_path: Path, drillgen: Run) -> None:
    """Where the pack's folder is a disk of its own the zip lies beside it on the other one, and
    what a killed build has left there of an earlier one is swept."""
    plan = lesson(tmp_path / "term.yaml", {"One": "tempo: 360"})
    left = tmp_path / f".disk.zip.part-{'0' * 16}"
    left.write_bytes(b"half")
    with mounted(tmp_path / "disk", "size=40m") as disk:
        done = drillgen("build", plan, "-o", disk, "--zip")
        assert done.returncode == 0, done.stderr
    with zipfile.ZipFile(tmp_path / "disk.zip") as packed:
        assert packed.testzip() is None and "disk/manifest.json" in packed.namelist()
    assert not left.exists()


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_the_folder_is_removed_during_a_build(tmp_path: Path, jobs: str) -> None:
    """The output folder is removed while it is being filled: that is said in one line, with exit
    code 2, and the folder is not made again by halves."""
    plan = lesson(tmp_path / "term.yaml", {"One": "tempo: [180, 181, 182, 183]"}, LONG)
    pack = tmp_path / "out"
    with started("build", plan, "-o", pack, "--jobs", jobs, *BARE) as process:
        until(lambda: list(pack.glob("*/*.mid")))
        pack.rename(tmp_path / "trash")
        shutil.rmtree(tmp_path / "trash", ignore_errors=True)
        said = process.communicate()[1]
    assert process.returncode == 2, said
    assert "was removed or moved during the build" in said and len(said.splitlines()) == 1
    assert not pack.exists(), sorted(pack.rglob("*"))


def by_a_signal(program: str, ending: signal.Signals) -> tuple[int, str]:
    """How a program that sends itself a signal ends, and what it writes to standard error."""
    done = forking.run([], program=program.format(name=ending.name))
    return done.returncode, done.stderr


UNLUCKY = """
import os, signal, sys, time
from drillgen import errors

class Done:
    def __del__(self):  # Python lets no error out of here
        os.kill(os.getpid(), signal.{name})
        time.sleep(0.01)

errors.end_in_order()
try:
    Done()
    time.sleep(200)
except KeyboardInterrupt as error:
    sys.exit(errors.exit_code(error))
"""


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
@pytest.mark.parametrize("ending", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_at_an_unlucky_moment(ending: signal.Signals) -> None:
    """One that comes where Python drops what is raised ends the command all the same, with the exit
    code of shells (128 and the signal's number) and no word of it."""
    assert by_a_signal(UNLUCKY, ending) == (128 + ending, "")


MADE_ANOTHER = """
import os, signal, sys
from drillgen import cli

class Bound:
    def __set_name__(self, owner, name):  # Python makes a RuntimeError of what is raised here
        os.kill(os.getpid(), signal.{name})

def load_all(*asked):
    type("Owner", (), {{"bound": Bound()}})

import drillgen.drill.lesson
drillgen.drill.lesson.load_all = load_all
cli.main(["check", "first-two-fives"])
"""


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
@pytest.mark.parametrize("ending", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_of_which_an_error_is_made(ending: signal.Signals) -> None:
    """A signal that a library makes an error of its own of, as while modules are imported, ends the
    command in one line all the same."""
    code, said = by_a_signal(MADE_ANOTHER, ending)
    assert code == 128 + ending, said
    assert said.split() == ["Stopped.", "Every", "file", "that", "is", "there", "is", "whole."]
