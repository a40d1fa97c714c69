"""Bars by their numbers, fingerings by their names, and who plays in a bar."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from pypdf import PdfReader

from drillgen.sheet.pdf import pdf
from drillgen.sheet.restyle import drawn
from drillgen.sheet.sheets import Sheet
from drillgen.sheet.svg import strips
from tests.conftest import Run
from tests.sheet.test_engrave import SVG
from tests.sheet.test_layout import has, measures
from tests.sheet.written import preset, read, sheets_of

SCALE = {"kind": "written", "notes": "1:q 2 3 4 | 5 6 7 1'", "range": "E1 to G3"}
TWO = {"fingering": {"solutions": "two"}}


def over_the_clefs(sheet: Sheet, bars: int | None = None) -> list[str]:
    """The numbers at the beginning of each system, as drawn."""
    pictures = [ET.fromstring(strip) for strip in strips(sheet.sections, bars_a_system=bars)]
    return [
        "".join(each.itertext())
        for picture in pictures
        for each in picture.iter()
        if each.get("class") == "sheet-number"
    ]


def test_each_system_has_the_number_of_its_first_bar(drillgen: Run, tmp_path: Path) -> None:
    """A sheet with repeats and two keys: each system's number is the one with which `check` begins
    its line of the same bars; 1 is the first bar after the count-in, and a pass that is not printed
    again is counted all the same."""
    drill = "progression: ii7 | V7 | Imaj7 | %\nkey_cycle: [C, F]\nline: off\npasses: 2\n"
    drill += "gaps: {call: 4, response: 4}\n"
    (tmp_path / "drill.yaml").write_text(f"{drill}count_in: 2\n", "utf-8")
    rows = drillgen("check", tmp_path / "drill.yaml").stdout.splitlines()
    counted = [row.split()[0] for row in rows if re.match(r" +\d+ +\d+:\d\d ", row)]
    assert next(row for row in rows if "count-in" in row).split()[0] == "0:00"
    assert counted == ["1", "5", "9", "13", "17", "21", "25", "29", "33"]
    gaps = {"call": 4, "response": 4}
    _, found = sheets_of(key_cycle=["C", "F"], line="off", passes=2, count_in=2, gaps=gaps)
    assert over_the_clefs(found.handout) == ["1", "5", "17", "21", "33"]
    assert over_the_clefs(found.handout, 2)[:4] == ["1", "3", "5", "7"]


def test_other_programs_number_the_bars_alike() -> None:
    """In the MusicXML each measure has the number that is drawn, and music21 reads it there; a
    pick-up has none that shows."""
    score, found = sheets_of(
        progression="Imaj7 | %",
        key_cycle=["C", "Ab"],
        gaps={"call": 2, "response": 2},
        line={"kind": "written", "notes": "5,:e 6, | 1:q 3 5 3 | 1:h r:q"},
    )
    bars = measures(found.handout)
    assert bars[0].findtext("print/measure-numbering") == "system"
    shown = {m.get("id"): m.get("number") for m in bars if m.get("implicit") is None}
    assert shown == {f"b{n}": str(n - 1) for n in range(2, len(score.chart.bars))}
    assert [m.get("id") for m in bars if m.get("implicit")] == ["b1p", "b5p"]
    numbers = [
        m.number for m in read(found.handout.musicxml).parts[0].getElementsByClass("Measure")
    ]
    assert numbers == [int(m.get("number") or "") for m in bars]


@pytest.mark.parametrize("drill", [{"line": "phrases"}, {"line": "roots", "sheet": "chords"}])
def test_a_bar_to_listen_to_has_a_rest(drill: dict[str, Any]) -> None:
    """Slashes mean "play": under "listen" stands a whole bar's rest, with the chord symbols over
    it; under "your turn" there are slashes, and one is held to the end."""
    bars = measures(sheets_of(key_cycle="C", **drill)[1].handout)
    assert [w.text for w in bars[0].iter("words")][-1] == "listen"
    slashes = [m.get("id") for m in bars if has(m, "note[notehead='slash']")]
    assert slashes == [f"b{number}" for number in range(6, 12)] and has(bars[0], "harmony")
    assert [len(m.findall("note")) for m in bars[4:]] == [4] * 4 + [1] * 2
    assert all(has(m, "note/rest[@measure='yes']") for m in bars[:4])


def test_no_chord_is_a_rest_in_a_tag_too() -> None:
    """A bar of N.C. that the line leaves free is a whole rest in the form, and in the tag."""
    sheet = sheets_of(
        progression="ii7 | V7 | I | N.C.", key_cycle="C", line="walking", gaps="off", ending="tag"
    )[1].handout
    silent = [m for m in measures(sheet) if has(m, "harmony/kind[@text='N.C.']")]
    assert len(silent) == 2 and all(has(m, "note/rest[@measure='yes']") for m in silent)
    assert not [m for m in measures(sheet) if has(m, "note[notehead='slash']")]


def test_two_fingerings_are_named_before_their_rows() -> None:
    """At the head of each key "open strings" stands on the height of the first solution's fingers
    and strings, "stopped" on that of the second's fingers, as they stand in that system."""
    sheet = sheets_of(progression="Imaj7 | %", key_cycle=["G", "C"], gaps="off", line=SCALE,
                      sheet=TWO)[1].handout  # fmt: skip
    for strip in strips(sheet.sections):
        systems = [each for each in ET.fromstring(strip) if each.get("transform")]
        root, *later = systems
        names = [e[0] for e in root.iter() if e.get("class") == "sheet-name"]
        assert not [e for each in later for e in each.iter() if e.get("class") == "sheet-name"]
        assert [name.text for name in names] == ["open", "strings", "stopped"]
        under = [each for each in root.iter() if each.get("class") == "sheet-row"]
        texts = [text for row in under for text in row.iter(f"{SVG}text")]
        rows = sorted({float(text.get("y", "0")) for text in texts})[:6]
        heights = [float(name.get("y", "0")) for name in names]
        assert heights == [rows[0], rows[1], rows[3]]
        assert all(float(name.get("x", "0")) < 200 for name in names)


def test_the_head_says_which_fingering_the_tablature_shows() -> None:
    """With two solutions the tablature is named; with one there is nothing to tell apart."""
    line = SCALE | {"instrument": "electric"}
    common = {"progression": "Imaj7 | %", "key_cycle": "G", "gaps": "off", "line": line}
    two = sheets_of(**common, sheet=TWO | {"tablature": True})[1].handout
    assert two.facts.endswith(" · tablature with open strings")
    one = sheets_of(**common, sheet={"fingering": True, "tablature": True})[1].handout
    assert "tablature" not in one.facts


def test_the_head_names_low_notes_and_the_starting_note() -> None:
    """A fifth under the tonic is not the fifth over it, and the count-in says what comes first."""
    _, found = sheets_of(
        line={"kind": "phrases", "notes": [1, "b3", "5,", "1'"]},
        count_in={"bars": 2, "starting_note": True},
    )
    facts = found.handout.facts.split(" · ")
    assert "notes 1 ♭3 low 5 high 1" in facts
    assert "count-in: the starting note, then 2 bars" in facts


def test_bars_of_whole_notes_are_equally_wide() -> None:
    """Four bars of a whole note each, two with a chord symbol: after the first, which has clef and
    signature, all are equally wide (within a hundredth)."""
    section = preset("minor-blues")[1].handout.sections[0]
    root = ET.fromstring(strips([section])[0])
    boxes = {bar.get("id"): bar[0] for bar in root.iter() if bar.get("class") == "sheet-bar"}
    widths = [float(boxes[f"b{number}"].get("width", "0")) for number in (11, 12, 13)]
    assert max(widths) < 1.01 * min(widths)


def test_a_sharp_has_room_in_a_chord_symbol() -> None:
    """Before and after each sharp there is a gap; a symbol without one is set as it is."""
    gaps = [span.get("dx") for span in drawn("F♯dim7", "0", "0")]
    assert gaps[0] is not None and int(gaps[0].split()[1]) > 0
    assert gaps[1] is not None and int(gaps[1].split()[0]) > 0
    assert [span.get("dx") for span in drawn("B♭m7/E♭", "0", "0")] == [None, None, None]


def test_chord_symbols_stand_alike_over_like_systems() -> None:
    """Two systems of the same words and chords, one after another, have their chord symbols at the
    same height over "listen"."""
    section = preset("one-bar-echoes")[1].handout.sections[0]
    root = ET.fromstring(strips([section])[0])
    bars = {each.get("id"): each for each in root.iter() if each.get("class") == "sheet-bar"}

    def height(bar: str, kind: str) -> float:
        group = next(each for each in bars[bar].iter() if each.get("class") == kind)
        return float(next(group.iter(f"{SVG}text")).get("y", "0"))

    rows = [height(bar, "sheet-words") - height(bar, "sheet-chord") for bar in ("b2", "b6")]
    assert abs(rows[0] - rows[1]) < 5


def test_a_line_ends_between_facts() -> None:
    """Where the facts under a title take two lines, each fact stands whole on one of them."""
    line = {"kind": "phrases", "notes": [1, 2, "b3", 4, "#4", 5, "b7", "5,"]}
    sheet = sheets_of(line=line, passes=4, count_in={"bars": 2, "starting_note": True})[1].handout
    page = PdfReader(io.BytesIO(pdf(sheet))).pages[0].extract_text().replace("\u00a0", " ")
    facts = sheet.facts.split(" · ")
    assert " · ".join(facts) not in page.splitlines()
    assert all(any(fact in row for row in page.splitlines()) for fact in facts)
