"""README and docs: a reader types what stands there, follows its links, and it is so."""

from __future__ import annotations

import re
import shlex
import signal
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile
from ruamel.yaml import YAML

from tests.conftest import Run
from tests.forking import Begun
from tests.pack.building import until
from tests.take.sounds import RATE, Tone, hertz, line_of, plucked

TOP = Path(__file__).parents[1]
PAGES = (TOP / "README.md", *sorted((TOP / "docs").glob("*.md")))
# Before what stands in the text, which goes before it: what leaves little to play.
SHORT = ("--bars", "1-2", "--tempo", "300", "--no-sheets", "--quiet")
PLAIN = ("--no-page",)  # where the page is not what is shown
# Names alone, in a sentence.
NAMED = (["check"], ["build"], ["play"], ["serve"], ["hear"], ["presets", "copy"])
# It needs a scheduler: `tests/pack/test_cluster.py` builds on one.
ELSEWHERE = "--cluster"
PRESET = "first-two-fives"
STAYS = ("play", "serve")  # until Ctrl-C


def blocks(page: Path, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", page.read_text("utf-8"), re.M | re.S)


def commands(page: Path) -> Iterator[list[str]]:
    """What a reader may type of `drillgen`: in blocks, and in the text by itself."""
    in_blocks = [row for block in blocks(page, "sh") for row in block.splitlines()]
    text = re.sub(r"^```.*?^```", "", page.read_text("utf-8"), flags=re.M | re.S)
    in_text = [" ".join(each.split()) for each in re.findall(r"`(drillgen [^`]+)`", text)]
    for row in [*in_blocks, *in_text]:
        words = shlex.split(row, comments=True)
        typed = words[:1] == ["drillgen"] and words[1:] not in NAMED
        if typed and len(words) > 1 and ELSEWHERE not in words:
            yield words[1:]


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the files that the texts have had written before."""
    folder = tmp_path_factory.mktemp("desk")
    (thirds,) = blocks(PAGES[0], "yaml")
    (folder / "thirds.yaml").write_text(thirds, "utf-8")
    lesson, parts = lesson_and_class()
    (folder / "week.yaml").write_text(lesson, "utf-8")
    (folder / "class.yaml").write_text(lesson + parts, "utf-8")
    return folder


def lesson_and_class() -> tuple[str, str]:
    """Of the chapter on the language."""
    found = blocks(TOP / "docs" / "language.md", "yaml")
    return (
        next(block for block in found if "drills:" in block),
        next(block for block in found if block.startswith("class:")),
    )


# In order, since some need what others make; what is copied first.
TYPED = {
    shlex.join(words): page.name
    for page in PAGES
    for words in sorted(commands(page), key=lambda words: words[:2] != ["presets", "copy"])
}


@pytest.mark.parametrize("command", TYPED)
def test_every_command_does_what_it_says(desk: Path, command: str, drillgen: Run) -> None:
    """Each command of README and docs is known with its options, and ends well; builds are cut
    down to two bars without sheets and page, and leave a pack where they say."""
    words = shlex.split(command)
    if words[0] in STAYS:
        begun(desk, words, drillgen)
        return
    if words[:2] == ["presets", "copy"]:
        (desk / words[-1]).unlink(missing_ok=True)
    if words[0] == "register":
        built(desk, words, drillgen)
    here = answered(desk, words, drillgen) if words[0] == "hear" else desk
    done = drillgen(*shortened(words), cwd=here)
    assert done.returncode == 0, f"{TYPED[command]}: {done.stderr}"
    if words[0] == "build":
        assert (desk / words[words.index("-o") + 1] / "manifest.json").is_file()


def shortened(words: list[str]) -> list[str]:
    if words[0] != "build":
        return words
    return ["build", *SHORT, *(PLAIN if "--single-file" not in words else ()), *words[1:]]


def built(desk: Path, words: list[str], drillgen: Run) -> None:
    """The pack that a command names, which the text may only mean as an example."""
    names = [word for word in words[1:] if not word.startswith("-")]
    if not names:
        words.append("pack")
    pack = names[0] if names else "pack"
    if not (desk / pack).exists():
        made = drillgen(*shortened(["build", "thirds.yaml", "-o", pack]), cwd=desk)
        assert made.returncode == 0


def answered(desk: Path, words: list[str], drillgen: Run) -> Path:
    """A folder with the recordings that a command names, a call of a preset, played back after
    it, from where the command says on; and with the pack, where it names one."""
    here = desk / "hearing"
    pack = here / (words[1] if words[1] != PRESET else "pack")
    if not pack.exists():
        asked = ["--tempo", "72", "--set", "key_cycle=[C, Bb]", "--no-sheets", "--no-page"]
        done = drillgen("build", PRESET, "-o", pack, *asked, cwd=desk)
        assert done.returncode == 0, done.stderr
    begin = words[words.index("--at") + 1] if "--at" in words else "0:00"
    minutes, _, seconds = begin.partition(":")
    later = 4 * 4 * 60 / 72 - 60 * int(minutes) - int(seconds)  # a call's length
    line = line_of(next(pack.rglob("*with line.mid")))
    notes = [Tone(start + later, end - start, hertz(key)) for start, end, key in line]
    heard = plucked((note for note in notes if 0 <= note.start < 28), 32)
    for name in (word for word in words[2:] if word.endswith((".wav", ".m4a"))):
        soundfile.write(here / name, heard, RATE, format="WAV")  # known by its content
    return here


def begun(desk: Path, words: list[str], drillgen: Run) -> None:
    """A command that stays says where it is to be seen, and ends on Ctrl-C."""
    if words[0] == "serve":
        built(desk, words, drillgen)
    quiet = ["--no-browser"] if words[0] == "play" else []
    with tempfile.TemporaryDirectory() as said:
        process = Begun([*words, *quiet], Path(said), folder=desk)
        try:
            until(lambda: "Ctrl-C" in "".join(process.said()) or process.poll() is not None)
            shown = "".join(process.said())
            if process.poll() is not None and "no address on a local network" in shown:
                return  # this machine has none to share on
            assert process.poll() is None and "http://" in shown, shown
            process.send_signal(signal.SIGINT)  # pressed as soon as it is read
            until(lambda: process.poll() is not None)
            assert process.wait() == 0
        finally:
            process.kill()
            process.wait()


@pytest.mark.parametrize("name", ["thirds.yaml", "week.yaml", "class.yaml"])
def test_every_example_is_read(desk: Path, name: str, drillgen: Run) -> None:
    """The README's drill, and the lesson and the class of the docs, are right as they stand."""
    drillgen("presets", "copy", "minor-blues", "my-blues.yaml", cwd=desk)
    done = drillgen("check", name, cwd=desk)
    assert done.returncode == 0, done.stderr
    assert "A build makes" in done.stdout


def test_other_examples_are_yaml_that_is_read(tmp_path: Path, drillgen: Run) -> None:
    """What remains of the YAML in the chapter on the language is a drill."""
    known = lesson_and_class()
    for block in blocks(TOP / "docs" / "language.md", "yaml"):
        if block in known:
            continue
        (tmp_path / "drill.yaml").write_text(block, "utf-8")
        assert YAML(typ="safe", pure=True).load(block)
        done = drillgen("check", tmp_path / "drill.yaml")
        assert done.returncode == 0, done.stderr


def test_the_readme_is_one_page() -> None:
    """It opens with the job in a paragraph, shows the two commands that set up, has the usual
    cautions, and ends after about a page of screens (130 lines)."""
    text = PAGES[0].read_text("utf-8")
    assert len(text.splitlines()) <= 130
    head = text.split("\n\n")[1]
    assert "learns by ear" in head and "becomes a **pack**" in head
    for command in ("make demo", "make test"):
        assert command in text
        assert re.search(rf"^{command[5:]}:", (TOP / "Makefile").read_text("utf-8"), re.M)
    assert "H.870" in text and "see a clinician" in text


def anchors(page: Path) -> set[str]:
    """The headings of a page as links name them: small letters, hyphens, no signs (common
    practice of what shows Markdown)."""
    heads = re.findall(r"^#+ (.*)$", page.read_text("utf-8"), re.M)
    return {re.sub(r"[^\w -]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_leads_somewhere(page: Path) -> None:
    """Files and headings that README and docs link to are there."""
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text("utf-8")):
        name, _, anchor = target.partition("#")
        there = (page.parent / name) if name else page
        assert there.exists(), target
        assert not anchor or anchor in anchors(there), target


def test_every_page_is_in_the_contents() -> None:
    """`docs/README.md` names every page of the docs."""
    contents = (TOP / "docs" / "README.md").read_text("utf-8")
    assert all(f"({page.name})" in contents for page in PAGES[1:] if page.name != "README.md")
