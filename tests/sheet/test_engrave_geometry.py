"""Nothing on a sheet touches anything else, measured in a browser with the font that it carries."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from drillgen.sheet.svg import strips
from tests.sheet.collisions import WIDTH, measured, on_paper, sheets_of_preset, touching
from tests.sheet.test_engrave import WORST
from tests.sheet.test_read_back import CODA, FINE, SECTIONS, SONG
from tests.sheet.written import preset, sheets_of


def test_no_two_things_touch(browser: Any) -> None:
    """Chord symbols, words, rows and marks keep clear of each other and of heads, accidentals and
    rests, on the fullest sheets: eighths with fingerings over altered chords in Gb, B and F#; a
    form with named sections; five flats in five-four; tablature under circled degrees."""
    tab = WORST | {
        "line": {"kind": "arpeggio", "note": "eighth", "instrument": "electric"},
        "sheet": {"fingering": True, "tablature": True, "degrees": True},
        "key_cycle": ["Gb"],
    }
    sheets = [
        sheets_of(**WORST)[1].handout,
        sheets_of(**tab)[1].handout,
        preset("same-thirds-other-roots")[1].handout,
        preset("three-plus-two")[1].handout,
    ]
    pictures = [strip for sheet in sheets for strip in strips(sheet.sections)]
    for boxes in measured(browser, pictures):
        assert {box.kind for box in boxes} == {"text", "sign"}
        assert all(box.left >= 0 and box.right <= WIDTH and box.top >= 0 for box in boxes)
        assert touching(boxes) == []


@pytest.mark.parametrize(
    ("name", "keys", "reader"),
    [
        ("by-the-back-door", ["Gb", "A"], "Eb"),
        ("minor-questions", ["Ebm", "C#m"], "tenor"),
        ("turnaround-arpeggios", ["B", "Db"], "Bb"),
        ("riff-before-the-beat", ["F", "E"], "horn"),
        ("bare-and-full", ["Ab"], "Bb"),
        ("change-one-note", ["G"], "tuba"),
        ("home-the-last-time", ["G"], "treble"),
    ],
)
def test_nothing_touches_on_paper(browser: Any, name: str, keys: list[str], reader: str) -> None:
    """Nor on printed sheets of presets, calls and slashes on one line, in keys of many signs and
    for other readers (`python -m tests.sheet.collisions` looks at all of them)."""
    pictures = [on_paper(sheet) for sheet in sheets_of_preset(name, keys, [reader])]
    assert len(pictures) > 1
    for boxes in measured(browser, pictures):
        assert touching(boxes) == []


def test_brackets_of_endings_are_clear(browser: Any) -> None:
    """The figures of first and second endings touch no chord symbol, mark or note."""
    sheet = sheets_of(**SONG | {"line": "roots"})[1].handout
    (boxes,) = measured(browser, [on_paper(sheet)])
    assert [box.what for box in boxes if box.bar == ""] == ["1.", "2."] * 2
    assert touching(boxes) == []


@pytest.mark.parametrize("to_coda", [3, 4, 5, 6])
def test_brackets_cover_their_endings(to_coda: int) -> None:
    """Each bracket reaches from the first to the last of the bars that MusicXML puts under it,
    wherever the coda is left for, with a point behind its figure (common practice)."""
    sections = SONG["progression"]
    form = {**sections, "A": sections["A"] | {"to_coda": to_coda}, "coda": "iii7 | VI7"}
    drill = SONG | {"progression": form | {"form": "A A B A coda"}, "sheet": "chords"}
    for section in sheets_of(**drill)[1].handout.sections:
        found = [
            bracket
            for strip in strips([section])
            for bracket in _brackets(ET.fromstring(re.sub(" xmlns=.[^ ]*", "", strip)))
        ]
        assert found == _endings(ET.fromstring(section.musicxml))


def _brackets(strip: ET.Element) -> Iterator[tuple[str | None, list[str]]]:
    """The text of each bracket, and the bars whose middle is under it."""
    for system in strip.iter("g"):
        bars = [each for each in system if each.get("class") == "sheet-bar"]
        brackets = [each for each in system.iter("g") if each.get("class") == "sheet-ending"]
        for bracket in brackets if bars else ():
            line = bracket.find("path")
            assert line is not None
            left, _, right, _ = map(float, re.findall(r"[\d.]+", line.get("d", "")))
            boxes = [(bar.get("id", ""), bar[0].attrib) for bar in bars]
            middles = [(i, float(b["x"]) + float(b["width"]) / 2) for i, b in boxes]
            yield bracket.findtext("text"), [i for i, middle in middles if left < middle < right]


def _endings(score: ET.Element) -> list[tuple[str | None, list[str]]]:
    """The text of each ending, and the measures from its start to its stop (MusicXML 4.0)."""
    found: list[tuple[str | None, list[str]]] = []
    inside = False
    for measure in score.iter("measure"):
        marks = {mark.get("type"): mark for mark in measure.iter("ending")}
        if "start" in marks:
            found.append((marks["start"].text, []))
        inside = inside or "start" in marks
        if inside:
            found[-1][1].append(measure.get("id", ""))
        inside = inside and not marks.keys() & {"stop", "discontinue"}
    return found


@pytest.mark.parametrize("own", [{"show": "chords"}, {"tablature": True, "fingering": True}])
def test_signs_and_words_of_jumps_are_clear(browser: Any, own: dict[str, object]) -> None:
    """Segno, coda and their words touch no chord symbol, name, number or note, for any reader."""
    line = {"kind": "roots", "instrument": "electric"}
    drill = {"progression": SECTIONS | {"form": "A B A"}, "passes": 2, "line": line}
    found = sheets_of(**drill, **CODA | {"sheet": {**own, "also_for": ["Bb", "horn"]}})[1]
    for boxes in measured(browser, [on_paper(each) for each in found.all]):
        said = [box.what.replace("\u00a0", " ") for box in boxes if box.what.endswith("Coda")]
        assert said.count("To Coda") == 2 and said[-1] == "D.S. al Coda"
        assert touching(boxes) == []
    own_form = {**CODA, "sheet": own, "ending": "none", "progression": FINE | {"form": "A B A"}}
    (boxes,) = measured(browser, [on_paper(sheets_of(line=line, **own_form)[1].handout)])
    said = [box.what.replace("\u00a0", " ") for box in boxes if box.what.endswith("Fine")]
    assert said == ["Fine", "D.C. al Fine", "Fine", "D.S. al Fine"]
    assert touching(boxes) == []
