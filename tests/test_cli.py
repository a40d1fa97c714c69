"""The command: what a person types, and what they are told when it cannot be done."""

from __future__ import annotations

import contextlib
import json
import os
import struct
import subprocess
import sys
from pathlib import Path
from urllib.parse import unquote

import pytest
from lxml import html

from tests import forking
from tests.conftest import SMALL, Run

LONG = "a" * 300  # file systems allow 255 (POSIX's NAME_MAX is 14 at least)


def test_help_imports_nothing_heavy() -> None:
    """`drillgen --help` answers without NumPy, FluidSynth, pydantic or YAML."""
    code = (
        "import sys; from click.testing import CliRunner; from drillgen.cli import main; "
        "result = CliRunner().invoke(main, ['--help']); assert result.exit_code == 0; "
        "print([m for m in ('numpy', 'fluidsynth', 'pydantic', 'ruamel.yaml', 'mido') "
        "if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    "command",
    ["", "build", "check", "hear", "play", "serve", "register", "presets", "presets list",
     "presets show", "presets copy", "schema", "soundfonts"],
)  # fmt: skip
def test_help_fits_eighty_columns(command: str) -> None:
    """Every command's help is read in a terminal of 80 columns, and each option is explained."""
    done = forking.run([*command.split(), "--help"])
    assert done.returncode == 0
    rows = done.stdout.splitlines()
    assert max(map(len, rows)) <= 80 and not any(row.endswith("...") for row in rows[1:])
    options = [row for row in rows if row.startswith("  -")]
    for row in options:
        after = rows[rows.index(row) + 1] if rows.index(row) + 1 < len(rows) else ""
        assert "  " in row.strip() or after.startswith("      "), row


def test_a_build_without_a_folder_is_told_one(tmp_path: Path) -> None:
    """A person who leaves `-o` out reads what to add, and nothing is made."""
    (tmp_path / "my blues.yaml").write_text("progression: I7\n", "utf-8")
    done = forking.run(["build", "my blues.yaml"], tmp_path)
    assert done.returncode == 2 and done.stderr.endswith("-o 'my blues'\n")
    assert [path.name for path in tmp_path.iterdir()] == ["my blues.yaml"]


def printed_on_a_terminal(columns: int, *arguments: str | Path) -> str:
    """What a command says on standard error where that is a terminal so wide."""
    pty = pytest.importorskip("pty")
    fcntl, termios = pytest.importorskip("fcntl"), pytest.importorskip("termios")
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    process = subprocess.Popen(
        [sys.executable, "-m", "drillgen", *map(str, arguments)],
        stderr=theirs,
        stdout=subprocess.DEVNULL,
        env={key: each for key, each in os.environ.items() if key != "COLUMNS"}
        | {"COLUMNS": str(columns)},
    )
    os.close(theirs)
    said = b""
    with contextlib.suppress(OSError):  # Linux says so where nothing more comes
        while more := os.read(ours, 65536):
            said += more
    assert process.wait(60) == 2
    os.close(ours)
    return said.decode("utf-8").replace("\r\n", "\n")


def test_errors_fit_the_terminal(tmp_path: Path) -> None:
    """On 80 columns a long message is wrapped between words, and the file's line is cut so that
    the caret still stands under what is wrong; piped, each message is one line."""
    drill = tmp_path / "drill.yaml"
    bars = " | ".join(["Dm7", "G7"] * 12)
    drill.write_text(f"progression: {bars} | X7 | Cmaj7\nbnd: off\n", "utf-8")
    said = printed_on_a_terminal(80, "check", drill)
    rows = said.splitlines()
    assert max(len(row) for row in rows if not row.startswith(str(drill))) <= 80  # a path is whole
    piped = forking.run(["check", str(drill)]).stderr
    assert len(piped.splitlines()) == 6 and max(map(len, piped.splitlines())) > 80
    words = [row for row in rows if not row.startswith("    ")]
    assert " ".join(" ".join(words).split()) == " ".join(
        " ".join(row for row in piped.splitlines() if not row.startswith("    ")).split()
    )
    at = next(number for number, row in enumerate(rows) if row.strip() == "^")
    assert rows[at - 1][rows[at].index("^") :].startswith("X7")


@pytest.fixture
def started() -> Run:
    """Python started for the command, as a person does."""
    return lambda *arguments, cwd=None: forking.cold([str(each) for each in arguments], cwd)


def test_check_shows_the_chart(started: Run, tmp_path: Path) -> None:
    """`check` prints every bar with its key, chords and role, and renders nothing."""
    drill = tmp_path / "small.yaml"
    drill.write_text(SMALL)
    done = started("check", drill)
    assert done.returncode == 0
    lines = done.stdout.splitlines()
    assert "Two keys to answer in" in lines[0]
    rows = [line for line in lines if "|" in line]
    assert [row[: row.index("|")].split()[-2:] for row in rows] == [
        ["C", "count-in"],
        ["C", "call"],
        ["C", "response"],
        ["Ab", "call"],
        ["Ab", "response"],
        ["Ab", "ending"],
    ]
    assert "| Bbm7   | Eb7    | Abmaj7 | Abmaj7 |" in rows[3]
    assert [path.name for path in tmp_path.iterdir()] == ["small.yaml"]


def test_overrides(drillgen: Run, tmp_path: Path) -> None:
    """Options replace what the drill says: tempo list, key cycle, passes and any other key."""
    drill = tmp_path / "small.yaml"
    drill.write_text(SMALL)
    done = drillgen(
        "check",
        drill,
        "--tempo",
        "60,72",
        "--key-cycle",
        "Gb",
        "--passes",
        "2",
        "--set",
        "gaps=none",
        "--set",
        "meter=3/4",
    )
    assert done.returncode == 0, done.stderr
    assert "tempo 60 " in done.stdout and "tempo 72 " in done.stdout
    assert "3/4" in done.stdout and "Abm7" in done.stdout and "response" not in done.stdout


def test_errors_cite_their_place(started: Run, tmp_path: Path) -> None:
    """Several errors at once, each with file, line, column, what is allowed and the nearest match;
    exit code 2; no traceback; nothing written."""
    drill = tmp_path / "bad.yaml"
    text = (
        "title: Bad\nprogression: ii7 | V8 | Imaj7\nfeel: swong\ntempo: 720\n"
        "band: {drums: brushs}\nlyne: roots\n"
    )
    drill.write_text(text)
    done = started("build", drill, "-o", tmp_path / "out")
    assert done.returncode == 2 and "Traceback" not in done.stderr
    for word, nearest in (
        ("V8", ""),
        ("swong", "swing"),
        ("720", ""),
        ("brushs", "brushes"),
        ("lyne", "line"),
    ):
        line = next(n for n, row in enumerate(text.splitlines(), 1) if word in row)
        column = text.splitlines()[line - 1].index(word) + 1
        cited = [
            row for row in done.stderr.splitlines() if row.startswith(f"{drill}:{line}:{column}: ")
        ]
        # the chord itself is right up to its "V": its own column is cited, or the place after it
        if word != "V8":
            assert cited and "allowed" in cited[0] and nearest in cited[0], (word, done.stderr)
    assert f"{drill}:2:" in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ["build", "no-such-preset", "-o", "out"],
        ["build", "nowhere/no.yaml", "-o", "out"],
        ["check", "."],
        ["check", "first-two-fives", "--tempo", "quick"],
        ["check", "first-two-fives", "--set", "tempo"],
        ["check", "first-two-fives", "--set", "bend.bass=walking"],
        ["build", "first-two-fives", "-o", "out", "--soundfont", "no-such-font"],
        ["build", "first-two-fives", "-o", "a-file"],
        ["build", "first-two-fives", "-o", "a-file/out"],
        ["presets", "show", "no-such-preset"],
        ["presets", "copy", "first-two-fives", "no-such-folder/x.yaml"],
        ["presets", "copy", "first-two-fives", "a-file"],
        ["check", ""],
        ["build", "", "-o", "out"],
        ["build", "first-two-fives", "-o", ""],
        ["serve", ""],
        ["presets", "copy", "first-two-fives", ""],
        ["check", LONG],
        ["build", f"{LONG}/x", "-o", "out"],
        ["build", "first-two-fives", "-o", LONG],
        ["build", "first-two-fives", "-o", "out", "--soundfont", f"{LONG}.sf2"],
        ["serve", LONG],
        ["presets", "copy", "first-two-fives", LONG],
    ],
)
def test_what_cannot_be_done_is_said_plainly(
    drillgen: Run, tmp_path: Path, arguments: list[str]
) -> None:
    """Exit code 2, words on standard error, no traceback, no file left behind."""
    (tmp_path / "a-file").write_text("something else")
    done = drillgen(*arguments, cwd=tmp_path)
    assert done.returncode == 2, (done.stdout, done.stderr)
    assert done.stderr.strip() and "Traceback" not in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["a-file"]


def test_an_empty_name_is_not_this_folder(drillgen: Run, tmp_path: Path) -> None:
    """What an unset variable of a shell leaves is called empty, from Python, too."""
    for arguments in (["build", "first-two-fives", "-o", ""], ["serve", ""]):
        assert "nothing is named" in drillgen(*arguments, cwd=tmp_path).stderr
    assert drillgen("check", "", cwd=tmp_path).stderr.startswith('"": there is no preset or file')
    import drillgen as package

    with pytest.raises(package.DrillgenError, match="no name"):
        package.build("first-two-fives", "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("arguments", [["check", "first-two-fives"], ["--help"]])
def test_an_output_that_is_full(arguments: list[str]) -> None:
    """Where what is printed cannot be written, that is said in one line, with exit code 2."""
    command = [sys.executable, "-m", "drillgen", *arguments]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 2 and len(done.stderr.splitlines()) == 1
    assert "no space left" in done.stderr


@pytest.mark.parametrize("encoding", ["cp1252", "latin-1"])
def test_signs_that_a_terminal_lacks(tmp_path: Path, encoding: str) -> None:
    """Where the output's encoding lacks a flat, an arrow or another script, the rest is shown."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(SMALL.replace("Two keys to answer in", "A♭, 二つの調"), "utf-8")
    environment = os.environ | {"PYTHONIOENCODING": encoding}
    for arguments, said in ((["check", drill], b"Abmaj7"), (["soundfonts"], b"will be used")):
        command = [sys.executable, "-m", "drillgen", *map(str, arguments)]
        done = subprocess.run(command, capture_output=True, env=environment, check=False)
        assert done.returncode == 0 and said in done.stdout, done.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere such a folder cannot be removed")
def test_a_folder_that_was_removed(tmp_path: Path) -> None:
    """A person whose folder is gone can still ask for what lies elsewhere."""
    gone = tmp_path / "gone"
    gone.mkdir()
    code = (
        "import os, sys; from drillgen.cli import main; os.rmdir(os.getcwd());"
        " main(sys.argv[1:], prog_name='drillgen')"
    )
    for arguments in (["soundfonts"], ["check", "first-two-fives"]):
        gone.mkdir(exist_ok=True)
        done = forking.cold(arguments, gone, program=code)
        assert done.returncode == 0, done.stderr


def test_schema_is_json(drillgen: Run) -> None:
    """`schema` prints a JSON Schema of the 2020-12 draft."""
    import jsonschema

    schema = json.loads(drillgen("schema").stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["$schema"].startswith("https://json-schema.org/draft/2020-12")


def test_presets_can_be_listed_shown_and_copied(drillgen: Run, tmp_path: Path) -> None:
    """`presets list` names at least twelve; `show` prints one; a copy checks as it is."""
    listed = drillgen("presets", "list").stdout
    names = [line.split()[0] for line in listed.splitlines() if line.startswith("  ")]
    assert len(names) >= 12 and "first-two-fives" in names
    (row,) = (line for line in listed.splitlines() if line.split()[:1] == ["four-slow-steps"])
    assert "slow 12/8" in row and "50 58 66" in row and "guide tones" in row
    assert "in 3/4" in next(line for line in listed.splitlines() if " ferry-in-three " in line)
    shown = drillgen("presets", "show", "first-two-fives").stdout
    assert shown.startswith("# yaml-language-server: $schema=")
    assert drillgen("presets", "copy", "first-two-fives", cwd=tmp_path).returncode == 0
    copy = (tmp_path / "first-two-fives.yaml").read_text("utf-8")
    assert copy.splitlines()[1:] == shown.splitlines()[1:]
    named = copy.splitlines()[0].partition("$schema=")[2]
    assert "properties" in (tmp_path / named).read_text("utf-8")
    assert drillgen("check", "first-two-fives.yaml", cwd=tmp_path).returncode == 0


@pytest.mark.parametrize("command", ["show", "copy"])
def test_presets_are_no_files(drillgen: Run, tmp_path: Path, command: str) -> None:
    """A file where a preset is meant is not said to be allowed; a preset's name with an ending is
    answered with the name."""
    (tmp_path / "mine.yaml").write_text("progression: ii7 | V7\n", "utf-8")
    done = drillgen("presets", command, "mine.yaml", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.endswith(
        "is no preset of this name; allowed: a preset (drillgen presets list)\n"
    )
    for name in ("first-two-fives.yaml", "two-fives/first-two-fives.yaml"):
        said = drillgen("presets", command, name, cwd=tmp_path).stderr
        assert 'did you mean "first-two-fives"?' in said


def test_an_option_of_another_command(drillgen: Run) -> None:
    """`--keys` is check's; where keys are chosen, the option that chooses them is named."""
    for arguments in (["build", "first-two-fives", "-o", "out"], ["play", "first-two-fives"]):
        done = drillgen(*arguments, "--keys", "C")
        assert done.returncode == 2 and "Did you mean '--key-cycle'?" in done.stderr
    assert "--key-cycle" not in drillgen("hear", "pack", "a.wav", "--keys", "C").stderr


def test_python_does_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`import drillgen` charts and builds in three lines, with overrides; what comes back shows
    itself in a notebook: the chart, each track to hear and each sheet, by files that are there."""
    import drillgen

    chart = drillgen.check("first-two-fives", key_cycle="Ab", tempo=60)
    assert "Bbm7" in chart and html.fromstring(chart._repr_html_()).text_content() == chart
    monkeypatch.chdir(tmp_path)
    pack = drillgen.build("first-two-fives", tmp_path / "pack", key_cycle="Ab", tempo=200)
    assert pack.first.is_file() and pack.music > 10
    shown = html.fromstring(f"<div>{pack._repr_html_()}</div>")
    files = [unquote(each) for each in shown.xpath("//@src|//@href")]
    assert [Path(name).suffix for name in files] == [".html", ".wav", ".wav", ".svg"]
    assert [Path(name).stem.endswith(" with line") for name in files[1:3]] == [True, False]
    assert all(Path(name).is_file() for name in files)
    with pytest.raises(drillgen.DrillgenError, match="tempo"):
        drillgen.load("first-two-fives", tempo=9000)
    mine = {"progression": "ii7 | V7", "key_cycle": ["Ab"]}
    assert "Bbm7" in drillgen.check(mine, tempo=60)
    assert drillgen.load({"title": "Two", "drills": [mine, "first-two-fives"]}).title == "Two"
    with pytest.raises(drillgen.DrillgenError, match='did you mean "progression"'):
        drillgen.check({"progresion": "ii7 | V7"})
