"""Intervals by name, and lines that are heard and never shown."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from music21 import interval, pitch

from drillgen.chart import charts
from drillgen.drill.line_options import INTERVAL_DEGREES
from drillgen.drill.models import Drill
from drillgen.lines.kinds import line
from drillgen.score import Note
from tests.conftest import Run
from tests.sheet.written import heard, read, sheets_of

FORM = "Imaj7 | vi7 | ii7 / / V7 | iii7 VI7b9"
KEYS = ["C", "F#", "Eb", "Ab", "B"]


def pairs(**options: Any) -> list[tuple[Note, Note]]:
    """The two notes over each chord, in every key; what is held at the end is left out."""
    drill = {"progression": FORM, "key_cycle": KEYS, "gaps": "off", "ending": "none"}
    part = line(charts(Drill.model_validate(drill | {"line": {"kind": "intervals", **options}}))[0])
    assert part is not None
    return by_two(part.notes)


def by_two(notes: Sequence[Note]) -> list[tuple[Note, Note]]:
    return list(zip(notes[::2], notes[1::2], strict=True))


def named(first: Note, second: Note) -> str:
    """What music21 calls the interval between two notes: 'm3', '-P5'."""
    one, other = (pitch.Pitch(str(note.pitch).replace("b", "-")) for note in (first, second))
    return str(interval.Interval(one, other).directedName)


@pytest.mark.parametrize("size", INTERVAL_DEGREES)
@pytest.mark.parametrize("way", ["up", "down"])
def test_each_interval_is_the_one_that_is_named(size: str, way: str) -> None:
    """From every root of five keys, up and down, music21 finds the interval that was asked for, by
    letters as by semitones, where no note would need three accidentals."""
    found = pairs(sizes=size, direction=way, range="E1 to G4")
    wanted = size if way == "up" else f"{size[0]}-{size[1:]}"
    names = [named(*pair) for pair in found]
    plain = [name for name, (_, second) in zip(names, found, strict=True)
             if abs(second.pitch.name.alter) < 2]  # fmt: skip
    assert set(plain) == {wanted} and len(found) == 6 * len(KEYS)
    assert names.count(wanted) >= 0.8 * len(names)


@pytest.mark.parametrize("start", ["root", "chord tones"])
def test_the_first_note_is_of_the_chord_and_leaves_room_to_sing(start: str) -> None:
    """The first note begins with its chord, is its root, or 1, 3, 5 and 7 of the chords in turn,
    and ends before the second, which is held to the chord's end; `sung: false` leaves no
    silence."""
    drill = {"progression": "Imaj7 | ii7 | V7 | Imaj7", "key_cycle": ["Bb", "E"], "gaps": "off",
             "ending": "none"}  # fmt: skip
    for sung in (True, False):
        options = {"kind": "intervals", "from": start, "sung": sung}
        chart = charts(Drill.model_validate(drill | {"line": options}))[0]
        part = line(chart)
        assert part is not None
        spans = [span for bar in chart.bars for span in bar.spans]
        for index, (span, (one, other)) in enumerate(zip(spans, by_two(part.notes), strict=True)):
            assert span.chord is not None
            tones = span.chord.names
            assert one.pitch.name == tones[index % 4 if start == "chord tones" else 0]
            assert one.start == span.start and other.start + other.duration == span.end
            assert (one.start + one.duration < other.start) == sung


@pytest.mark.parametrize(
    ("line_text", "words"),
    [
        ("{kind: intervals, sizes: m3 P6}", ["P6", "P5"]),
        ("{kind: intervals, sizes: []}", ["names no intervals"]),
        ("{kind: intervals, direction: upwards}", ["up, down, both"]),
    ],
)
def test_what_is_no_interval_is_refused(
    drillgen: Run, tmp_path: Path, line_text: str, words: list[str]
) -> None:
    """With what is allowed, and the place."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(f"line: {line_text}\nprogression: {FORM}\n", "utf-8")
    done = drillgen("check", drill)
    assert done.returncode == 2 and "drill.yaml:1" in done.stderr
    assert all(word in done.stderr for word in words), done.stderr


DICTATED = [
    {"line": {"kind": "intervals", "dictation": True}, "gaps": "off"},
    {"line": {"kind": "guide tones", "dictation": True}, "gaps": {"call": 2, "response": 2}},
    {"line": {"kind": "walking", "dictation": True}, "gaps": "off", "ending": "tag"},
    {"line": {"kind": "written", "notes": "1:q 3 5 3 | 2:w", "dictation": True}, "gaps": 2},
]


@pytest.mark.parametrize("drill", DICTATED, ids=lambda drill: str(drill["line"]["kind"]))
def test_a_dictated_line_stands_in_the_answers_alone(drill: dict[str, Any]) -> None:
    """Of any kind: music21 finds no note of the line on the sheet that is handed out, and on the
    answers all that is called or played through in the form."""
    score, found = sheets_of(progression="ii7 | V7 | Imaj7 | %", key_cycle=["F", "D"], **drill)
    assert heard(read(found.handout.musicxml)) == []
    assert found.answers is not None
    part = score.part("line")
    assert part is not None and len(heard(read(found.answers))) >= len(part.notes) * 0.9
    plain = {**drill, "line": {**drill["line"], "dictation": False}}
    same = sheets_of(progression="ii7 | V7 | Imaj7 | %", key_cycle=["F", "D"], **plain)[0]
    assert same.part("line") == part


def test_another_readers_sheet_does_not_show_it_either() -> None:
    """Nor does the sheet of another reader, whose answers are apart, too."""
    drill = {"progression": "ii7 | V7 | Imaj7 | %", "key_cycle": "F", **DICTATED[0]}
    found = sheets_of(**drill, sheet={"also_for": ["Bb"]})[1]
    names = [sheet.name for sheet in found.others]
    assert names == ["for Bb", "answers for Bb"]
    assert heard(read(found.others[0].musicxml)) == []
    assert heard(read(found.others[1].musicxml))


def test_the_page_does_not_show_a_dictated_line(drillgen: Run, tmp_path: Path) -> None:
    """In a pack no file of the page has a drawn note of the line; the answers are a file apart."""
    drill = tmp_path / "heard.yaml"
    drill.write_text(
        "progression: ii7 | V7\nkey_cycle: C\ngaps: off\nband: off\nending: none\ntempo: 240\n"
        "line: {kind: roots, dictation: true}\n",
        "utf-8",
    )
    done = drillgen("build", drill, "-o", tmp_path / "pack", "--quiet")
    assert done.returncode == 0, done.stderr
    texts = {path.name: path.read_text("utf-8") for path in (tmp_path / "pack").rglob("*")
             if path.suffix in (".js", ".html", ".svg")}  # fmt: skip
    assert "sheet-note" in texts["sheet answers.svg"]
    assert not [name for name, text in texts.items()
                if name not in ("sheet answers.svg")
                and 'class="sheet-note"' in text.replace('\\"', '"')]  # fmt: skip
