"""A class: one command, a pack for each part, and what is equal made once."""

from __future__ import annotations

import json
import re
from pathlib import Path
from textwrap import dedent

import pytest
from lxml import etree
from mido import MidiFile
from pypdf import PdfReader
from soundfile import SoundFile

from tests.conftest import Run
from tests.pack.building import TINY, contents, manifest

CLASS = """\
title: Monday
drills:
  - {title: One, tempo: 300, %s}
class:
  bass 1: {tempo: 80 %%}
  trumpet:
  alto saxophone 2: {}
"""


@pytest.fixture
def lesson(tmp_path: Path) -> Path:
    path = tmp_path / "monday.yaml"
    path.write_text(CLASS % TINY, "utf-8")
    return path


def sounds(pack: Path) -> dict[str, tuple[int, bytes]]:
    return {name: data for name, data in contents(pack).items() if name.endswith((".wav", ".mid"))}  # type: ignore[misc]


def test_a_pack_for_each_part(lesson: Path, tmp_path: Path, drillgen: Run) -> None:
    """Each part has its folder with its own tempo and sheet, written a major second (trumpet) and a
    major sixth (alto saxophone) higher (MusicXML's `transpose`, common practice); where two hear
    the same, the second's tracks are the first's; a second build has nothing to do."""
    out = tmp_path / "out"
    done = drillgen("build", lesson, "-o", out, "--no-page", "--quiet")
    assert done.returncode == 0, done.stderr
    assert sorted(each.name for each in out.iterdir()) == ["alto saxophone 2", "bass 1", "trumpet"]
    tempos = {each.name: manifest(each)["tracks"][0]["tempo"] for each in out.iterdir()}
    assert tempos == {"bass 1": 240, "trumpet": 300, "alto saxophone 2": 300}
    chromatic = {
        each.name: [
            int(found.text)
            for found in etree.parse(next(each.rglob("sheet.musicxml"))).iter("chromatic")
        ]
        for each in out.iterdir()
    }
    assert chromatic == {"bass 1": [0], "trumpet": [-2], "alto saxophone 2": [-9]}
    assert sounds(out / "trumpet") == sounds(out / "alto saxophone 2")
    row = next(
        row for row in done.stdout.splitlines() if row.startswith("alto saxophone 2: 1 track")
    )
    assert "the same as of trumpet; made anew:" in row
    again = drillgen("build", lesson, "-o", out, "--no-page", "--quiet")
    assert again.stdout.count("Nothing to do") == 3


def test_check_tells_the_lengths_of_all_parts(lesson: Path, drillgen: Run) -> None:
    """At 80 per cent of the tempo a track lasts a quarter longer: 8 s and 10 s."""
    text = lesson.read_text("utf-8").replace("tempo: 300,", "tempo: 300, passes: 10,")
    lesson.write_text(text, "utf-8")
    said = drillgen("check", lesson).stdout.splitlines()[-1]
    assert said.startswith("A build makes 1 track, 8 s to 10 s of music")


def test_check_and_build_add_alike(tmp_path: Path, drillgen: Run) -> None:
    """3 bars at 300, 4 at 336 and 4 at 350, each with 1.5 s in which a chord dies away, are 12.5 s
    in whatever order they are added, and the same whole seconds wherever they are told."""
    own = "key_cycle: C, gaps: none, count_in: 0, line: roots, ending: hold"
    (tmp_path / "half.yaml").write_text(
        f"title: Half\ndrills:\n  - {{title: One, tempo: 300, progression: I, {own}}}\n"
        f"  - {{title: Two, tempo: [336, 350], progression: I | I, {own}}}\n",
        "utf-8",
    )
    checked = drillgen("check", tmp_path / "half.yaml").stdout
    out = tmp_path / "out"
    built = drillgen("build", tmp_path / "half.yaml", "-o", out, "--no-page", "--no-sheets").stdout
    listed = drillgen("register", out).stdout
    (told,) = set(re.findall(r"(\d+) s of music", checked + built))
    assert f"0:{told} of music" in listed and abs(int(told) - 12.5) == 0.5


def test_positions_go_before_a_drill_s_range(lesson: Path, tmp_path: Path, drillgen: Run) -> None:
    """A part in first position plays a drill whose own range leaves it no octave there: its notes
    lie from E1 to B2 (first position on the upright: Simandl), the others' from C3 on."""
    text = lesson.read_text("utf-8").replace("line: roots", "line: {kind: roots, range: C3 to C4}")
    lesson.write_text(text.replace("{tempo: 80 %}", "{positions: first}"), "utf-8")
    out = tmp_path / "out"
    done = drillgen("build", lesson, "-o", out, "--no-page", "--no-sheets", "--quiet")
    assert done.returncode == 0, done.stderr
    lowest = {}
    for part in ("bass 1", "trumpet"):
        notes = [
            message.note
            for message in MidiFile(next((out / part).rglob("*with line.mid")))
            if message.type == "note_on" and message.velocity and message.channel != 9
        ]
        lowest[part] = (min(notes), max(notes))
    assert 28 <= lowest["bass 1"][0] <= lowest["bass 1"][1] <= 47
    assert lowest["trumpet"][0] >= 48


def test_a_drill_in_positions_is_read_by_others(
    lesson: Path, tmp_path: Path, drillgen: Run
) -> None:
    """A drill in first position is for the whole class: a part that plays no bass has the same
    notes, in its own sheet without fingers."""
    text = lesson.read_text("utf-8").replace("line: roots", "line: roots, positions: first")
    lesson.write_text(text.replace("{tempo: 80 %}", ""), "utf-8")
    out = tmp_path / "out"
    done = drillgen("build", lesson, "-o", out, "--no-page", "--quiet")
    assert done.returncode == 0, done.stderr
    notes = {
        part: [
            (message.note, message.time)
            for message in MidiFile(next((out / part).rglob("*with line.mid")))
            if message.type == "note_on" and message.channel != 9
        ]
        for part in ("bass 1", "trumpet")
    }
    fingers = {
        part: len(etree.parse(next((out / part).rglob("sheet.musicxml"))).findall(".//lyric"))
        for part in notes
    }
    assert notes["bass 1"] == notes["trumpet"] != []
    assert fingers["bass 1"] > 0 == fingers["trumpet"]


def test_a_class_in_a_file_of_its_own(lesson: Path, tmp_path: Path, drillgen: Run) -> None:
    """A week's lesson names the file of its class; `check` tells each part's tempos."""
    text = lesson.read_text("utf-8")
    head, _, parts = text.partition("class:\n")
    (tmp_path / "class.yaml").write_text(dedent(parts), "utf-8")
    lesson.write_text(head + "class: class.yaml\n", "utf-8")
    done = drillgen("check", lesson)
    assert done.returncode == 0, done.stderr
    assert re.search(r"^Tempos of each part$", done.stdout, re.MULTILINE)
    assert re.search(r"^  bass 1 +240$", done.stdout, re.MULTILINE)
    assert re.search(r"^  trumpet +300$", done.stdout, re.MULTILINE)
    assert "for each part" in done.stdout


@pytest.mark.parametrize(
    ("one", "other", "place", "words"),
    [
        ("trumpet:", "trompet:", "6:3: class.trompet:", ["no reader", "trumpet"]),
        ("trumpet:", "alto:", "6:3: class.alto:", ["clef or the saxophone"]),
        ("trumpet:", "Ana:", "6:3: class.Ana:", ["no reader", "a name of its own with {reads:"]),
        ("80 %", "8 %", "5:19: class.bass 1:", ["50 % to 150 %"]),
        ("{tempo: 80 %}", "{tmpo: 80 %}", "5:11: class.bass 1:", ["reads", "positions", "tempo"]),
        ("tempo: 300", "tempo: 36", "5:11: tempo:", ["would be played at 29", "30 to 360"]),
        ("class:\n", "class: nobody.yaml\nx:\n", "4:8: class:", ["there is no such file"]),
    ],
)
def test_a_slip(
    lesson: Path, drillgen: Run, one: str, other: str, place: str, words: list[str]
) -> None:
    """Wrong parts are said with their place, and nothing is built."""
    text = lesson.read_text("utf-8").replace(one, other)
    lesson.write_text(text.replace("x:\n", "note: ''\n").partition("note: ''")[0], "utf-8")
    done = drillgen("build", lesson, "-o", lesson.parent / "out", "--quiet")
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert f"{lesson}:{place}" in done.stderr, done.stderr
    assert all(word in done.stderr for word in words), done.stderr
    assert not (lesson.parent / "out").exists()


def test_a_register_for_the_teacher(lesson: Path, tmp_path: Path, drillgen: Run) -> None:
    """`register` lists a class's packs: each part with its drills, keys, tempos and lengths as they
    are heard, and the sheet that has the answers; as PDF the same, on one page."""
    text = lesson.read_text("utf-8").partition("class:")[0]
    ear = "progression: I, key_cycle: G, line: phrases, gaps: 1, ending: none, band: {comping: off}"
    lesson.write_text(
        f"{text}  - {{title: Two, tempo: 240, count_in: 0, {ear}}}\n"
        "class:\n  bass 1: {tempo: 80 %}\n  trumpet:\n",
        "utf-8",
    )
    out = tmp_path / "out"
    assert drillgen("build", lesson, "-o", out, "--no-page", "--quiet").returncode == 0
    said = drillgen("register", out).stdout
    assert max(map(len, said.splitlines())) <= 80
    for part in ("bass 1", "trumpet"):
        table = said.partition(f"{part}: ")[2].partition("of music")[0]
        for track in manifest(out / part)["tracks"]:
            file = SoundFile(out / part / track["files"]["play-along"])
            row = next(row for row in table.splitlines() if f"  {track['drill']} " in row)
            assert f"{track['tempo']:g} (0:{round(file.frames / 44100):02d})" in row
            assert f"  {track['keys'][0][0]} " in row
            assert row.endswith("sheet answers" if track["drill"] == "Two" else "sheet")
    paper = tmp_path / "register.pdf"
    assert drillgen("register", out, "-o", paper).returncode == 0
    (page,) = PdfReader(paper).pages
    printed = " ".join(page.extract_text().split())
    assert all(word in printed for word in ("bass 1", "trumpet", "One", "Two", "sheet answers"))


def test_a_register_of_no_pack(tmp_path: Path, drillgen: Run) -> None:
    """A folder without packs, and a place that cannot be written, are said."""
    done = drillgen("register", tmp_path)
    assert done.returncode == 2 and "is no pack" in done.stderr
    assert drillgen("register", tmp_path / "nowhere").returncode == 2
    (tmp_path / "manifest.json").write_text('{"tracks": []}')
    done = drillgen("register", tmp_path)
    assert done.returncode == 2 and "no track is finished" in done.stderr
    (tmp_path / "manifest.json").write_text('{"name": "A web site"}')
    assert "is another program's" in drillgen("register", tmp_path).stderr


def test_a_register_of_a_class_in_order(lesson: Path, tmp_path: Path, drillgen: Run) -> None:
    """The parts come as the class names them; a track a key counts as one of all keys does; a part
    of which nothing can be read is named, and so is a drill."""
    text = lesson.read_text("utf-8").replace(
        "title: One, tempo: 300", "title: One, tempo: [300, 240]"
    )
    own = "key_cycle: [C, F, Bb], tracks: per key, gaps: {call: 1, response: 2}"
    lesson.write_text(text.replace("key_cycle: C, gaps: none", own), "utf-8")
    out = tmp_path / "out"
    assert drillgen("build", lesson, "-o", out, "--no-page", "--no-sheets").returncode == 0
    said = drillgen("register", out).stdout
    parts = [row.partition(":")[0] for row in said.splitlines() if row.endswith(": Monday")]
    assert parts == ["bass 1", "trumpet", "alto saxophone 2"]
    roles = [
        bar["role"]
        for track in manifest(out / "trumpet")["tracks"]
        if track["tempo"] == 240
        for bar in track["bars"]
    ]
    assert f"{roles.count('call')} + {roles.count('response')} bars" in said

    (out / "trumpet" / "manifest.json").write_text("{", "utf-8")
    document = manifest(out / "bass 1")
    document["tracks"][0]["keys"] = None
    (out / "bass 1" / "manifest.json").write_text(json.dumps(document), "utf-8")
    done = drillgen("register", out)
    assert done.returncode == 0 and "trumpet: " not in done.stdout
    trumpet, bass = (out / part / "manifest.json" for part in ("trumpet", "bass 1"))
    assert f"{trumpet} is damaged: build the pack again" in done.stderr
    assert f'{bass} is damaged where it lists "One": build that again' in done.stderr
    for command in ("register", "serve"):
        done = drillgen(command, out / "trumpet")
        assert (done.returncode, done.stderr) == (
            2,
            f"{trumpet} is damaged: build the pack again\n",
        )
