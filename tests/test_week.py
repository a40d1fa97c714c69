"""A teacher's week through the command: how much is typed for each job, and that it is done.

At most three commands and 25 words of YAML a job, the music apart (chords, notes).  Forms are
small, and sheets and page are left out where they are not looked at: that is the tests' haste, not
the teacher's.
"""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import soundfile
from lxml import etree
from mido import MidiFile
from music21 import bar, harmony, key, meter, note, spanner, stream

from tests.conftest import Run

MOST_COMMANDS, MOST_WORDS = 3, 25
HASTE = ("--no-page", "--quiet")
BARE = (*HASTE, "--no-sheets")


class Desk:
    """What a teacher writes and types for one job."""

    def __init__(self, folder: Path, run: Run) -> None:
        self.folder = folder
        self.words = self.commands = 0
        self._run = run

    def write(self, name: str, text: str, **music: str) -> None:
        """A file; what is music stands in braces."""
        self.words += len(re.findall(r"[\w#]+", text.format(**dict.fromkeys(music, ""))))
        (self.folder / name).write_text(text.format(**music), "utf-8")

    def type(self, *command: str) -> subprocess.CompletedProcess[str]:
        self.commands += 1
        done = self._run(*command, cwd=self.folder)
        assert done.returncode == 0, done.stderr
        return done

    def pack(self, name: str) -> dict[str, Any]:
        found = json.loads((self.folder / name / "manifest.json").read_text("utf-8"))
        assert isinstance(found, dict)
        return found

    def file(self, name: str, track: dict[str, Any], role: str) -> Path:
        return self.folder / name / track["files"][role]


@pytest.fixture
def desk(tmp_path: Path, drillgen: Run) -> Iterator[Desk]:
    desk = Desk(tmp_path, drillgen)
    yield desk
    assert 1 <= desk.commands <= MOST_COMMANDS
    assert desk.words <= MOST_WORDS


def played(file: Path) -> list[int]:
    """MIDI keys in order, drums left out."""
    return [
        message.note
        for message in MidiFile(file)
        if message.type == "note_on" and message.velocity and message.channel != 9
    ]


def notes_on(sheet: Path) -> int:
    """How many notes stand on a sheet, slashes left out."""
    notes = etree.parse(sheet).findall(".//note[pitch]")
    return sum(each.findtext("notehead") != "slash" for each in notes)


def test_a_lesson_for_a_class_of_twelve(desk: Desk) -> None:
    """Monday's lesson of a preset, at the tempo and in the key that the lesson says, over the
    presets' own: a pack for each of twelve parts, with that and nothing else."""
    desk.write(
        "monday.yaml",
        "drills: [first-two-fives]\n"
        "override: {{tempo: 300, key_cycle: F, gaps: none}}\n"
        "class: {{bass, trumpet, horn, trombone, tuba, flute, clarinet, violin, viola, cello,"
        " voice, guitar}}\n",
    )
    desk.type("build", "monday.yaml", "-o", "monday", *BARE, "--jobs", "1")
    packs = sorted((desk.folder / "monday").iterdir())
    assert len(packs) == 12
    for pack in packs:
        tracks = desk.pack(f"monday/{pack.name}")["tracks"]
        assert [(track["tempo"], track["keys"]) for track in tracks] == [(300, ["F major"])]


def test_again_at_another_tempo(desk: Desk) -> None:
    """The same folder, slower: the new tempo's tracks, last as long as it says, and are all."""
    small = ("--key-cycle", "C", "--set", "gaps=none")
    desk.type("build", "first-two-fives", "-o", "ana", *small, "--tempo", "300", *BARE)
    desk.type("build", "first-two-fives", "-o", "ana", *small, "--tempo", "200", *BARE)
    (track,) = desk.pack("ana")["tracks"]
    assert track["tempo"] == 200
    assert not list((desk.folder / "ana").rglob("* 300*"))
    bars = [each["start"] for each in track["bars"]]
    assert {round(b - a, 6) for a, b in pairwise(bars)} == {4 * 60 / 200}


def test_two_bars_round_and_round_as_mp3(desk: Desk) -> None:
    """Bars 5 and 6 of a walking blues, eight times, as MP3: 16 bars and the count-in of two."""
    loop = ("--bars", "5-6", "--repeat", "8", "--format", "mp3", "--tempo", "240")
    desk.type("build", "blues-walking", "-o", "loop", *loop, *BARE)
    (track,) = desk.pack("loop")["tracks"]
    file = desk.file("loop", track, "play-along")
    assert file.suffix == ".mp3"
    assert soundfile.info(file).duration == pytest.approx(18 * 4 * 60 / 240, abs=0.05)
    chords = [[each["chord"] for each in bar["chords"]] for bar in track["bars"][2:]]
    assert chords == [["Bb7"], ["Bdim7"]] * 8


def test_an_unseen_call_and_response(desk: Desk) -> None:
    """Phrases from four notes: nothing of the calls on the first sheet, all of it among the
    answers, and heard in the demonstration alone."""
    desk.write(
        "ear.yaml",
        "progression: {chords}\nkey_cycle: G\nband: {{comping: off}}\ntempo: 240\n"
        "line: {{kind: phrases, notes: {notes}}}\ngaps: 2\nending: none\n",
        chords="i7 | %",
        notes="[1, b3, 4, 5]",
    )
    desk.type("build", "ear.yaml", "-o", "ear", *HASTE)
    shown = {
        name: notes_on(next(desk.folder.rglob(f"{name}.musicxml")))
        for name in ("sheet", "sheet answers")
    }
    (track,) = desk.pack("ear")["tracks"]
    heard = played(desk.file("ear", track, "midi with line"))
    assert shown["sheet"] == 0 < shown["sheet answers"]
    assert {key % 12 for key in heard} <= {7, 10, 0, 2}  # G Bb C D
    assert not played(desk.file("ear", track, "midi"))


def test_a_riff_blues(desk: Desk) -> None:
    """A riff of two bars over twelve: six times, in the blues's key, over every chord."""
    desk.write(
        "riff.yaml",
        "progression: {chords}\nkey_cycle: F\ntempo: 300\nband: {{comping: off}}\n"
        "line: {{kind: riff, notes: '{notes}'}}\ngaps: none\nending: none\n",
        chords="I7 | IV7 | I7 | % | IV7 | % | I7 | % | V7 | IV7 | I7 | V7",
        notes="1:q 5 1 r | r:w",
    )
    desk.type("build", "riff.yaml", "-o", "riff", *BARE)
    (track,) = desk.pack("riff")["tracks"]
    assert len([each for each in track["bars"] if each["role"] == "play"]) == 12
    notes = [each % 12 for each in played(desk.file("riff", track, "midi with line"))]
    assert notes == [5, 0, 5] * 6  # F C F


def test_a_minor_two_five_in_first_position(desk: Desk) -> None:
    """Half-diminished, altered and minor chords in three minor keys, all in the first positions:
    no note above B2 (Simandl: the fourth finger on the G string), each with its finger."""
    desk.write(
        "minor.yaml",
        "progression: {chords}\nkey_cycle: [A minor, D minor, G minor]\n"
        "line: arpeggio\npositions: first\n",
        chords="iiø7 | V7b9 | i6 | %",
    )
    shown = desk.type("check", "minor.yaml").stdout
    assert "Bm7b5" in shown and "E7b9" in shown and "Gm6" in shown
    rows = [row for row in shown.splitlines() if re.match(r" *\d+  \w+ +\[?.*\(\d\)", row)]
    pitches = re.findall(r"\b([A-G][#b]*)(\d)\(\d\)", "\n".join(rows))
    positions = set(re.findall(r"\[(.+?)\]", "\n".join(rows)))
    assert len(pitches) > 40 and positions <= {"half", "I"}
    heights = [int(octave) * 7 + "CDEFGAB".index(name[0]) for name, octave in pitches]
    assert max(heights) <= 2 * 7 + 6 and min(heights) >= 7 + 2  # E1 to B2


def thirty_two_bars(path: Path) -> list[str]:
    """A lead sheet with two endings, of our own invention; its chords as music21 plays them."""
    first = ["F7", "B-7", "F7", "D7", "Gm7", "C7", "Am7", "D7"]
    middle = ["A7", "A7", "D7", "D7", "G7", "G7", "C7", "C7"]
    part = stream.Part()
    for number, figure in enumerate([*first, "F7", *middle, *first], 1):
        one = stream.Measure(number=number)
        if number == 1:
            one.insert(0, key.Key("F"))
            one.insert(0, meter.TimeSignature("4/4"))
        one.insert(0, harmony.ChordSymbol(figure))
        one.append(note.Note("F4", quarterLength=4))
        part.append(one)
    measures = list(part.getElementsByClass(stream.Measure))
    measures[0].leftBarline = bar.Repeat(direction="start")
    measures[7].rightBarline = bar.Repeat(direction="end")
    part.insert(0, spanner.RepeatBracket(measures[7], number=1))
    part.insert(0, spanner.RepeatBracket(measures[8], number=2))
    score = stream.Score()
    score.append(part)
    score.write("musicxml", fp=path)
    played = part.expandRepeats().recurse().getElementsByClass(harmony.ChordSymbol)
    return [each.figure.replace("-", "b") for each in played]


def test_thirty_two_bars_from_a_lead_sheet(desk: Desk) -> None:
    """What a notation program has written, with a first and a second ending: the track has the 32
    bars that music21 plays."""
    theirs = thirty_two_bars(desk.folder / "tune.musicxml")
    assert len(theirs) == 32
    desk.write(
        "tune.yaml",
        "progression: tune.musicxml\nkey_cycle: F\nline: roots\ngaps: none\ntempo: 360\n"
        "ending: none\n",
    )
    desk.type("build", "tune.yaml", "-o", "tune", *BARE)
    (track,) = desk.pack("tune")["tracks"]
    bars = [bar["chords"] for bar in track["bars"] if bar["role"] == "play"]
    assert [chords[0]["chord"] for chords in bars] == theirs


def test_packs_for_readers(desk: Desk) -> None:
    """One drill for three readers: each pack has its sheet, in the transposition that MusicXML says
    (chromatic -2 for a trumpet, -9 for an alto saxophone, common practice), and the same sound."""
    desk.write(
        "readers.yaml",
        "drills:\n  - {{title: One, progression: {chords}, key_cycle: C, tempo: 300,\n"
        "     line: roots, gaps: none}}\nclass: {{trumpet, alto saxophone, cello}}\n",
        chords="I | V7",
    )
    desk.type("build", "readers.yaml", "-o", "readers", *HASTE)
    chromatic, sounds = {}, set()
    for pack in (desk.folder / "readers").iterdir():
        sheet = etree.parse(next(pack.rglob("sheet.musicxml")))
        chromatic[pack.name] = [int(found.text) for found in sheet.iter("chromatic")]
        sounds.add(next(pack.rglob("*with line.wav")).read_bytes())
    assert chromatic == {"trumpet": [-2], "alto saxophone": [-9], "cello": []}
    assert len(sounds) == 1
