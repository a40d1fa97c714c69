"""Strips and the whole sheet as SVG: complete, self-contained, and as the score says."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from xml.etree import ElementTree as ET

import pytest
from music21 import chord, harmony, note

from drillgen.score import Score
from drillgen.sheet.restyle import runs
from drillgen.sheet.sheets import Sheet, Sheets
from drillgen.sheet.svg import SheetError, font_faces, strips, whole_svg
from tests.sheet.written import preset, read, sheets_of

SVG = "{http://www.w3.org/2000/svg}"
WORST = {
    "title": "Arpeggios over altered dominants",
    "progression": "ii7b5 | V7(b9,#11) / bII7(#9) / | im(maj7) | VI7alt",
    "key_cycle": ["Gb", "B", "F#"],
    "line": {"kind": "arpeggio", "note": "eighth"},
    "gaps": {"call": 4, "response": 4},
    "sheet": {"fingering": True},
}


@pytest.fixture(scope="module")
def worst() -> tuple[Score, Sheets]:
    """Eighth-note arpeggios with fingerings over altered chords in keys of five to seven signs."""
    return sheets_of(**WORST)


@pytest.fixture(scope="module")
def drawn(worst: tuple[Score, Sheets]) -> tuple[str, ...]:
    return strips(worst[1].handout.sections)


def elements(svg: str, name: str) -> Iterator[ET.Element]:
    """The elements of a class."""
    return (each for each in ET.fromstring(svg).iter() if each.get("class") == name)


def ids(svg: str) -> list[str]:
    return [each.attrib["id"] for each in ET.fromstring(svg).iter() if "id" in each.attrib]


@pytest.mark.parametrize(
    "name",
    ["minor-blues", "cycle-of-dominants", "paper-lantern", "one-bar-echoes", "three-plus-two"],
)
def test_every_printed_bar_has_its_id(name: str) -> None:
    """A group with the bar's id stands for every measure of a sheet, in order and once, whatever
    the sheet has in it: slashes, repeats, pick-ups, a last chord."""
    for sheet in preset(name)[1].all:
        for section, strip in zip(sheet.sections, strips(sheet.sections), strict=True):
            found = [bar.attrib["id"] for bar in elements(strip, "sheet-bar")]
            assert found == list(section.bar_ids)


@pytest.mark.parametrize("repeat", [1, 8])
def test_two_bars_alone_stand_whole_in_one_system(repeat: int) -> None:
    """A loop of two busy bars, on paper and on a phone: both bars are drawn, beside each other."""
    sheet = sheets_of(
        progression="I7 | % | IV7 | %",
        key_cycle="Bb",
        line={"kind": "riff", "notes": "1:e b3 4:q b3:e 1 r:q"},
        gaps="none",
        bars="3-4",
        repeat=repeat,
    )[1].handout
    for narrow in (False, True):
        (strip,) = strips(sheet.sections, narrow=narrow)
        bars = list(elements(strip, "sheet-bar"))
        assert [bar.attrib["id"] for bar in bars] == list(sheet.sections[0].bar_ids)
        assert len({bar[0].attrib["y"] for bar in bars}) == 1
    drawn = list(elements(whole_svg("Two bars", sheet.sections), "sheet-bar"))
    assert len(drawn) == len(sheet.sections[0].bar_ids)


def test_the_next_signature_is_announced() -> None:
    """Behind the last bar of C stand E flat's three flats, and behind that of E flat A's three
    sharps (SMuFL E260, E262); not where each key is a track of its own (common practice)."""
    asked = {"key_cycle": ["C", "Eb", "A"], "line": "roots", "progression": "I | IV | V | I"}
    signs = ("E260", "E262")
    for tracks, after in (("together", signs), ("per key", ())):
        found: list[str] = []
        for strip in strips(sheets_of(**asked, tracks=tracks)[1].handout.sections):
            last = list(ET.fromstring(strip).iter(f"{SVG}use"))[-12:]
            codes = [(place_of(use), use.attrib["href"][-4:]) for use in last]
            head = max((at for at, code in codes if code.startswith(("E0A", "E10"))), default=0.0)
            found += [code for at, code in sorted(codes) if at > head and code in signs]
        assert found == [sign for sign in after for _ in range(3)]


SPACE = 180  # between two lines of a staff, in tenths of a verovio pixel


def place_of(use: ET.Element) -> float:
    return float(re.findall(r"-?[\d.]+", use.attrib["transform"])[0])


def test_ties_are_seen() -> None:
    """A tie over the bar line is as long as a space and a half at least: 2.5 mm on paper."""
    for strip in strips(preset("riff-before-the-beat")[1].handout.sections):
        ties = list(elements(strip, "sheet-tie"))
        assert len(ties) > 1
        for tie in ties:
            (drawn,) = {path.attrib["d"] for path in tie.iter(f"{SVG}path")}
            across = [float(x) for x in re.findall(r"-?[\d.]+", drawn)[::2]]
            assert max(across) - min(across) >= 1.45 * SPACE


def test_the_whole_sheet_holds_every_bar(worst: tuple[Score, Sheets]) -> None:
    """The one picture of a drill has the bars of all its keys."""
    sheet = worst[1].handout
    found = [
        bar.attrib["id"] for bar in elements(whole_svg(sheet.title, sheet.sections), "sheet-bar")
    ]
    assert found == [bar for section in sheet.sections for bar in section.bar_ids]


def test_nothing_is_fetched_from_outside(drawn: tuple[str, ...]) -> None:
    """A strip names nothing but its own shapes and the font that it carries; no script, no image
    (SVG 2, section 2: what may refer to other files)."""
    for strip in drawn:
        root = ET.fromstring(strip)
        assert {each.tag.removeprefix(SVG) for each in root.iter()} <= {
            "svg", "style", "defs", "g", "path", "use", "text", "tspan", "rect", "polygon",
            "polyline", "ellipse",
        }  # fmt: skip
        links = {v for each in root.iter() for k, v in each.attrib.items() if k.endswith("href")}
        assert links <= {f"#{identity}" for identity in ids(strip)}
        urls = re.findall(r"url\((.{10})", strip)
        assert urls and set(urls) == {"data:font/"}
        assert "://" not in strip.replace("http://www.w3.org/2000/svg", "")


def test_strips_share_a_page(drawn: tuple[str, ...]) -> None:
    """No id stands twice on a page that holds every strip of a drill (HTML: ids are unique)."""
    found = [identity for strip in drawn for identity in ids(strip)]
    assert len(found) == len(set(found))


def test_the_page_colours_the_strip(drawn: tuple[str, ...]) -> None:
    """Every fill and stroke is the page's text colour or none, so that a dark page can have it."""
    paints = {
        each.attrib[name]
        for each in ET.fromstring(drawn[0]).iter()
        for name in ("fill", "stroke", "color")
        if name in each.attrib
    }
    assert paints == {"currentColor", "none"}
    assert "fill:" not in drawn[0]
    assert "color:" not in drawn[0]


def test_a_page_may_bring_the_font_once(worst: tuple[Score, Sheets]) -> None:
    """Without its font a strip is small, and the font's rules are there for the page."""
    bare = strips(worst[1].handout.sections, fonts=False)[0]
    assert "@font-face" not in bare
    assert font_faces().count("@font-face") == 3


def heads(sheet: Sheet) -> list[int]:
    """How many note heads each section has, as music21 reads its MusicXML."""
    return [sum(_pitches(section.musicxml)) for section in sheet.sections]


def _pitches(text: str) -> Iterator[int]:
    for each in read(text).recurse().notes:
        if isinstance(each, harmony.ChordSymbol):
            continue
        if isinstance(each, chord.Chord):
            yield len(each.pitches)
        elif isinstance(each, note.Note) and each.notehead != "slash":
            yield 1


@pytest.mark.parametrize("name", ["paper-lantern", "two-fives-both-voices"])
def test_every_note_head_is_drawn(name: str) -> None:
    """The picture has as many note heads as music21 finds written notes, ties unjoined."""
    sheet = preset(name)[1].handout
    found = [
        sum(1 for each in elements(strip, "sheet-note") for _ in _heads(each))
        for strip in strips(sheet.sections)
    ]
    assert found == heads(sheet)


def _heads(element: ET.Element) -> Iterator[ET.Element]:
    return (each for each in element.iter() if each.get("class") == "sheet-head")


def test_chord_symbols_are_the_charts(worst: tuple[Score, Sheets]) -> None:
    """Over each bar of the form stand its chords' names, with real flats and sharps."""
    score, found = worst
    form = {f"b{bar.number}" for bar in score.chart.bars if bar.form_bar >= 0}
    for strip in strips(found.handout.sections):
        bars = list(elements(strip, "sheet-bar"))
        for bar in (bar for bar in bars if bar.attrib["id"] in form):
            names = [
                "".join(each.itertext())
                for each in bar.iter()
                if each.get("class") == "sheet-chord"
            ]
            spans = score.chart.bars[int(bar.attrib["id"].removeprefix("b"))].spans
            assert names == [span.chord.pretty for span in spans if span.chord]


@pytest.mark.parametrize(
    ("symbol", "on_the_line", "raised"),
    [
        ("A♭m7♭5", "A♭m", "7♭5"),
        ("Cmaj7", "C", "maj7"),
        ("D♭7(♭9,♯11)", "D♭", "7(♭9,♯11)"),
        ("F♯m(maj7)/E", "F♯m/E", "(maj7)"),
        ("G6/9", "G", "6/9"),
        ("Bdim7", "B", "dim7"),
        ("E", "E", ""),
        ("N.C.", "N.C.", ""),
    ],
)
def test_suffixes_are_raised(symbol: str, on_the_line: str, raised: str) -> None:
    """Root, its accidental, `m` and the bass stand on the line, the rest is raised (common practice
    of lead sheets)."""
    found = runs(symbol)
    assert "".join(run.text for run in found if not run.raised) == on_the_line
    assert "".join(run.text for run in found if run.raised) == raised


def test_narrow_pages_get_fewer_bars_in_a_system(worst: tuple[Score, Sheets]) -> None:
    """With two bars asked for, a strip of eight bars has four systems: four clefs."""
    section = worst[1].handout.sections[0]
    clefs = [
        strips([section], bars_a_system=bars)[0].count('E062"')  # SMuFL: gClef 050, fClef 062
        for bars in (4, 2)
    ]
    assert [count - 1 for count in clefs] == [2, 4]  # one is the shape itself


def test_the_same_music_gives_the_same_picture(worst: tuple[Score, Sheets]) -> None:
    """Two processes with different hash seeds draw the same bytes."""
    program = (
        "from tests.sheet.test_engrave import WORST, sheets_of, strips\n"
        "print(strips(sheets_of(**WORST)[1].handout.sections)[0])"
    )
    there = subprocess.run(
        [sys.executable, "-X", "utf8", "-c", program], capture_output=True, text=True, check=True,
        encoding="utf-8",
    ).stdout  # fmt: skip
    assert there.strip() == strips(worst[1].handout.sections)[0]


def test_a_missing_library_is_named(
    monkeypatch: pytest.MonkeyPatch, worst: tuple[Score, Sheets]
) -> None:
    """Where verovio is missing, the person reads what to install."""
    monkeypatch.setitem(sys.modules, "verovio", None)
    sections = worst[1].handout.sections
    with pytest.raises(SheetError, match="pip install verovio"):
        strips(sections, bars_a_system=1)
