"""A lesson as it is handed out: sheets, booklet, page, notes, playlists, zip."""

from __future__ import annotations

import io
import json
import re
import zipfile
from pathlib import Path

import pypdf
import pytest
from music21 import converter, note

from drillgen.pack.settings import safe
from tests.conftest import Run
from tests.pack.building import contents, lesson, manifest, tracks
from tests.pack.conftest import built

LESSON = """\
title: A Thursday in two keys
note: Bring a pencil.
defaults: {tempo: 300, count_in: 1, key_cycle: [C, Gb], band: {drums: sticks, comping: piano}}
drills:
  - {title: Fallen sevenths, progression: ii7 | V7 | Imaj7 | %, line: guide tones}
  - {title: Say it back, progression: i7 | % | % | %, line: phrases, sheet: {also_for: [Bb]}}
"""
SHEETS = {
    "01 Fallen sevenths": ["sheet"],
    "02 Say it back": ["sheet", "sheet answers", "sheet for Bb", "sheet answers for Bb"],
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, notes: Path) -> Path:
    """The lesson's pack, its zip beside it."""
    folder = tmp_path_factory.mktemp("handed out")
    (folder / "thursday.yaml").write_text(LESSON, "utf-8")
    done = built(notes, folder / "thursday.yaml", folder / "pack", "--zip", "--single-file")
    assert f"The whole pack, to send: {(folder / 'pack.zip').resolve()}" in done.stdout
    return folder / "pack"


def words(pdf: bytes) -> list[str]:
    """The text of each page."""
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def test_sheets_for_each_drill(made: Path) -> None:
    """Each drill has its sheets as MusicXML, PDF and SVG; phrases have answers apart; other readers
    have theirs."""
    found = {entry["folder"]: entry["files"] for entry in manifest(made)["sheets"]}
    assert {folder: list(sheets) for folder, sheets in found.items()} == SHEETS
    for folder, sheets in found.items():
        for forms in sheets.values():
            assert list(forms) == ["musicxml", "svg", "pdf"]
            title = re.sub(r"^\d+ ", "", folder)
            assert title in " ".join(words((made / forms["pdf"]).read_bytes()))
            assert converter.parse(made / forms["musicxml"]).parts


def test_no_drill_is_called_like_a_file_of_the_pack(made: Path) -> None:
    """Of what lies in a pack beside the drills' folders, nothing is a name for one."""
    beside = {path.name for path in made.iterdir() if not path.name.startswith(".")} - {*SHEETS}
    assert {"Listen.m3u8", "NOTES.txt", "booklet.pdf", "page.html"} <= beside
    assert {safe(name).casefold() for name in beside}.isdisjoint(map(str.casefold, beside))


@pytest.mark.parametrize("title", ["Listen.m3u8", "PLAY ALONG.m3u8"])
def test_a_drill_called_like_a_playlist(drillgen: Run, tmp_path: Path, title: str) -> None:
    """Two tempos make two tracks, and so playlists beside the drill's folder."""
    plan = lesson(tmp_path / "plan.yaml", {title: "tempo: [200, 240]"})
    done = drillgen("build", plan, "-o", tmp_path / "pack", "--no-sheets", "--no-page", "--quiet")
    assert done.returncode == 0, done.stderr
    lists = (path for path in (tmp_path / "pack").glob("*.m3u8") if path.is_file())
    assert {path.name for path in lists} == {"Listen.m3u8", "Play along.m3u8"}
    assert tracks(tmp_path / "pack") == [(title, 200), (title, 240)]


def test_what_is_learned_by_ear_is_not_shown_first(made: Path) -> None:
    """By music21, the first sheet of phrases holds no pitch; the answers hold them."""
    forms = {e["folder"]: e["files"] for e in manifest(made)["sheets"]}["02 Say it back"]
    first, answers = (
        list(
            converter.parse(made / forms[name]["musicxml"]).recurse().getElementsByClass(note.Note)
        )
        for name in ("sheet", "sheet answers")
    )
    notes = [each for each in first if each.notehead != "slash"]
    assert not notes and len(answers) > 5


def test_the_booklet_holds_every_drill(made: Path) -> None:
    """The booklet has the lesson's title and note first, then contents, whose page numbers are
    those of the drills; another reader's booklet has the drills that have a sheet for them."""
    (entry,) = manifest(made)["booklet"]
    pages = words((made / entry["files"]["booklet"]).read_bytes())
    assert "A Thursday in two keys" in pages[0] and "Bring a pencil." in pages[0]
    for title in ("Fallen sevenths", "Say it back", "Say it back: answers"):
        (number,) = re.findall(rf"{title} ?[. ]*(\d+)\s*$", pages[0], re.MULTILINE)
        assert title in pages[int(number) - 1]
    others = words((made / entry["files"]["booklet for Bb"]).read_bytes())
    assert "B♭ instruments" in others[0] and "Fallen sevenths" not in "".join(others)
    assert sum("Say it back" in page.splitlines() for page in others) == 1


def test_notes_name_what_is_there(made: Path) -> None:
    """The notes name the page, the drills, the cautions and the licence of the sounds."""
    text = " ".join((made / "NOTES.txt").read_bytes().decode("utf-8-sig").split())
    font = manifest(made)["tracks"][0]["soundfont"]["name"]
    files = ("index.html", "page.html", "booklet.pdf")
    for said in (*files, "Fallen sevenths", "Bring a pencil.", "H.870", "clinician", font):
        assert said in text


def test_playlists_name_files_in_order(made: Path) -> None:
    """Both playlists are extended M3U; each file named exists, in the lesson's order."""
    tracks = manifest(made)["tracks"]
    for name, role in (("Listen.m3u8", "with line"), ("Play along.m3u8", "play-along")):
        lines = (made / name).read_text("utf-8").splitlines()
        assert lines[0] == "#EXTM3U"
        files = [line for line in lines if not line.startswith("#")]
        assert files == [track["files"][role] for track in tracks]
        assert all((made / file).is_file() for file in files)


def test_the_page_finds_its_files(made: Path) -> None:
    """The document knows both drills, in order; every file of the page is in the manifest."""
    page = (made / "index.html").read_text("utf-8")
    assert page.index("Fallen sevenths") < page.index("Say it back")
    entries = [*manifest(made)["page"], *manifest(made)["index"]]
    listed = {name for entry in entries for name in entry["bytes"]}
    assert {name for name in contents(made) if name.startswith("page/")} <= listed
    assert set(re.findall(r'(?:src|href)="(page/[^"?]+)', page)) <= listed


def test_the_zip_holds_the_pack(made: Path) -> None:
    """The zip holds every file of the pack under the pack's name, with the same bytes."""
    with zipfile.ZipFile(made.with_name("pack.zip")) as packed:
        assert packed.testzip() is None
        found = {name.removeprefix("pack/"): packed.read(name) for name in packed.namelist()}
    assert found == contents(made)


def test_left_out(tmp_path: Path, drillgen: Run) -> None:
    """Without sheets and page there are neither, and a later build with them adds them."""
    drill = tmp_path / "drill.yaml"
    drill.write_text("progression: I\nkey_cycle: C\ntempo: 300\ngaps: none\nending: none\n")
    out = tmp_path / "out"
    assert drillgen("build", drill, "-o", out, "--no-sheets", "--no-page").returncode == 0
    assert not (out / "index.html").exists() and not list(out.rglob("*.pdf"))
    tracks = json.dumps(manifest(out)["tracks"])
    assert drillgen("build", drill, "-o", out).returncode == 0
    assert (out / "index.html").exists() and list(out.rglob("*.pdf"))
    assert json.dumps(manifest(out)["tracks"]) == tracks
    assert drillgen("build", drill, "-o", out, "--no-sheets", "--no-page").returncode == 0
    assert not (out / "index.html").exists() and not list(out.rglob("*.pdf"))
