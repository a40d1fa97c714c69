"""Drills that can be read and not be played: said where they are written, before any sound."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests import forking
from tests.conftest import Run
from tests.pack.building import contents, manifest

REST = "progression: ii7 | V7 | Imaj7 | %, key_cycle: C, tempo: 300, gaps: none"
# What each drill has of its own, the key that is cited, and what is said of it.
DRILLS = {
    "Upright tab": ("sheet: {tablature: true}", "sheet.tablature", "instrument: electric"),
    "Voice": (
        "line: {kind: roots, instrument: voice}, sheet: {fingering: true}",
        "sheet.fingering",
        "upright and electric",
    ),
    "No such": (
        "line: {kind: roots, instrument: electric}, sheet: {fingering: {strings: solo}}",
        "sheet.fingering.strings",
        "solo",
    ),
    "Too low": (
        "line: {kind: roots, range: C1 to C2}, sheet: {fingering: {strings: solo}}",
        "sheet.fingering",
        "below the lowest string",
    ),
    "Silence": ("line: off, band: off, count_in: 0", "band", "nothing would sound"),
}


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "term.yaml"
    rows = [f"  - {{title: {title}, {own}, {REST}}}" for title, (own, _, _) in DRILLS.items()]
    fine = f"  - {{title: Fine, {REST}, line: roots, sheet: {{fingering: true}}}}"
    path.write_text("\n".join(["drills:", fine, *rows, ""]), "utf-8")
    return path


@pytest.mark.parametrize("command", ["check", "build"])
def test_all_are_told_before_anything_is_made(
    plan: Path, tmp_path: Path, drillgen: Run, command: str
) -> None:
    """Each such drill is named with file, line and column of what asks for it, by `check` and by
    `build` alike, and no folder is made."""
    where = ["-o", tmp_path / "out", "--quiet"] if command == "build" else []
    done = drillgen(command, plan, *where)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()
    assert "Fine" not in done.stderr
    lines = plan.read_text("utf-8").splitlines()
    for number, (title, (_, path, words)) in enumerate(DRILLS.items(), 3):
        (said,) = (row for row in done.stderr.splitlines() if f'"{title}"' in row and path in row)
        found = re.match(rf"{re.escape(str(plan))}:(\d+):(\d+): {path}: ", said)
        assert found and int(found[1]) == number and words in said, said
        key = f"{path.rpartition('.')[2]}: "
        assert lines[number - 1][: int(found[2]) - 1].endswith(key), said
    if command == "check":
        assert all(title in done.stdout for title in DRILLS)


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_a_pack_that_is_there_stays(plan: Path, tmp_path: Path, drillgen: Run, jobs: str) -> None:
    """Refused, a build changes nothing in a pack that is there, its title included."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(f"{{title: Fine, {REST}, line: roots}}")
    where = ("-o", tmp_path / "out", "--quiet")
    assert drillgen("build", drill, *where, "--no-page").returncode == 0
    before = contents(tmp_path / "out")
    assert drillgen("build", plan, *where, "--jobs", jobs).returncode == 2
    assert contents(tmp_path / "out") == before


def test_the_cure_cures(tmp_path: Path, drillgen: Run) -> None:
    """The range that is suggested for a line that leaves the bass makes the drill playable."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(
        "progression: I | IV\nkey_cycle: D\ngaps: none\nband: off\n"
        "line: {kind: roots, range: C1 to C2}\nsheet:\n  fingering: {strings: solo}\n"
    )
    done = drillgen("check", drill)
    cure = re.search(r"write line: \{range: (\S+ to \S+)\}", done.stderr)
    assert done.returncode == 2 and done.stderr.startswith(f"{drill}:7:14: sheet.fingering: ")
    assert cure and "F#1" in cure[1]
    mended = drillgen("check", drill, "--set", f"line.range={cure[1]}")
    assert mended.returncode == 0 and "Fingering on an upright bass in solo" in mended.stdout


def test_the_page_does_without(tmp_path: Path, drillgen: Run) -> None:
    """Without sheets nothing has to be fingered: the drill is built and shown on the page without
    its tablature, and that is said."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(f"{{title: Upright tab, {REST}, sheet: {{tablature: true}}}}")
    done = drillgen("build", drill, "-o", tmp_path / "out", "--no-sheets", "--quiet")
    assert done.returncode == 0, done.stderr
    assert 'Note: "Upright tab" is on the page without its fingering' in done.stderr
    assert [entry["title"] for entry in manifest(tmp_path / "out")["page"]] == ["Upright tab"]


def test_no_page_without_drills(tmp_path: Path, drillgen: Run) -> None:
    """Where no drill's part of the page could be made, there is no page that would show nothing."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(f"{{title: One, {REST}}}")
    code = (
        "import drillgen.page.html as w, drillgen.cli as c\n"
        "from drillgen.errors import DrillgenError\n"
        "def never(*a, **k): raise DrillgenError('no page today')\n"
        "w.write_drill = never\n"
        f"c.main(['build', {str(drill)!r}, '-o', {str(tmp_path / 'out')!r}, '--no-sheets',"
        " '--quiet', '--jobs', '1'])\n"
    )
    done = forking.run([], program=code)
    assert done.returncode == 2 and "no page today" in done.stderr
    assert "index.html" not in contents(tmp_path / "out") and manifest(tmp_path / "out")["tracks"]
