"""Sheets and booklets as PDF, read and drawn by other libraries (pypdf, pypdfium2)."""

from __future__ import annotations

import io
import re
import sys
from collections.abc import Sequence
from xml.etree import ElementTree as ET

import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray
from pypdf import PdfReader

from drillgen.drill.lesson import load
from drillgen.score import Score
from drillgen.sheet.pdf import Booklet, booklet, pdf
from drillgen.sheet.sheets import Section, Sheet, Sheets, sheets
from drillgen.sheet.svg import Engraved, SheetError, on_paper
from tests.sheet.test_engrave import WORST
from tests.sheet.written import preset, scores, sheets_of

A4 = (595.3, 841.9)  # points: ISO 216, 210 by 297 mm
LETTER = (612.0, 792.0)  # ANSI/ASME Y14.1, 8.5 by 11 inches
NOTE = "Say each chord aloud before you play it."


@pytest.fixture(scope="module")
def worst() -> tuple[Score, Sheets]:
    return sheets_of(**WORST, note=NOTE, seed=12)


@pytest.fixture(scope="module")
def printed(worst: tuple[Score, Sheets]) -> bytes:
    return pdf(worst[1].handout)


def pages(made: bytes) -> list[str]:
    """The text of each page, by the library that is quick among many shapes."""
    document = pypdfium2.PdfDocument(made)
    texts = [page.get_textpage().get_text_range() for page in document]
    return [text.replace("\r\n", "\n").rstrip("\n") for text in texts]


def test_the_text_can_be_read(worst: tuple[Score, Sheets], printed: bytes) -> None:
    """Title, note, reader, tempo, keys and chord names come out of the PDF as text, with real flats
    and sharps."""
    score, found = worst
    text = "\n".join(pages(printed)).replace("\u00a0", " ")
    sheet = found.handout
    for words in (sheet.title, sheet.reader, sheet.tempo, sheet.facts, NOTE):
        assert words in text
    for section in sheet.sections:
        assert section.label in text
    names = {span.chord.pretty for bar in score.chart.bars for span in bar.spans if span.chord}
    assert {name for name in names if name not in text} == set()


def test_every_page_has_its_number_title_and_seed(printed: bytes) -> None:
    """At the foot of each page stand the title, the seed, and which page of how many it is."""
    found = pages(printed)
    for number, text in enumerate(found, start=1):
        foot = text.splitlines()[-1]
        assert WORST["title"] in foot
        assert "seed 12" in foot
        assert foot.endswith(f"{number} / {len(found)}")


@pytest.mark.parametrize(("paper", "size"), [("a4", A4), ("us-letter", LETTER)])
def test_paper(paper: str, size: tuple[float, float]) -> None:
    """Pages are A4 or US letter."""
    made = pdf(preset("first-two-fives")[1].handout, paper)  # type: ignore[arg-type]
    for page in PdfReader(io.BytesIO(made)).pages:
        assert tuple(map(float, page.mediabox[2:])) == pytest.approx(size, abs=0.2)


def fonts(made: bytes) -> set[str]:
    """The names of a PDF's fonts, each of which must be in the file."""
    names = set()
    for page in PdfReader(io.BytesIO(made)).pages:
        for font in page["/Resources"]["/Font"].values():  # type: ignore[index]
            descendant = font.get_object()["/DescendantFonts"][0].get_object()
            descriptor = descendant["/FontDescriptor"].get_object()
            assert {"/FontFile2", "/FontFile3"} & set(descriptor)
            names.add(str(descriptor["/FontName"]).partition("+")[2])
    return names


def test_every_font_is_in_the_file(printed: bytes) -> None:
    """The PDF carries the font of its text, the one that comes with the program: the music's shapes
    and signs need no other."""
    assert {name.partition("-")[0] for name in fonts(printed)} == {"DrillgenSheet"}


def test_other_alphabets_need_no_fonts_of_the_machine() -> None:
    """A title in Cyrillic and a Spanish ordinal are set in fonts that come along."""
    sheet = sheets_of(**WORST | {"title": "Упражнение 1º"})[1].handout
    made = pdf(sheet)
    assert sheet.title in pages(made)[0]
    assert {name.partition("-")[0] for name in fonts(made)} == {"DrillgenSheet", "LibertinusSerif"}


def systems(sheet: Sheet) -> int:
    """How many systems the MusicXML of a sheet has."""
    breaks = (ET.fromstring(s.musicxml).iter("print") for s in sheet.sections)
    return sum(1 + sum(p.get("new-system") == "yes" for p in marks) for marks in breaks)


def line_tops(page: NDArray[np.uint8]) -> list[int]:
    """Long level lines: runs of dark dots over a fifth of the page's width; where each begins."""
    long = page.shape[1] // 5
    found = [_longest_run(row < 140) >= long for row in page]
    rows = enumerate(zip(found, [False, *found], strict=False))
    return [at for at, (row, before) in rows if row and not before]


def staff_lines(page: NDArray[np.uint8]) -> int:
    return len(line_tops(page))


def _longest_run(dark: NDArray[np.bool_]) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], dark.view(np.int8), [0]))))
    return int(max(edges[1::2] - edges[::2], default=0))


@pytest.mark.parametrize("name", ["thirty-two-bars-walking"])
def test_no_system_is_split(name: str) -> None:
    """Drawn by another library, every page has whole staves (five lines each), and together they
    are all the systems of the MusicXML."""
    sheet = preset(name)[1].handout
    document = pypdfium2.PdfDocument(pdf(sheet))
    drawn = [page.render(scale=200 / 72, grayscale=True).to_numpy().squeeze() for page in document]
    lines = [staff_lines(page) for page in drawn]
    assert [count % 5 for count in lines] == [0] * len(lines)
    assert sum(lines) == 5 * systems(sheet)


@pytest.mark.parametrize("name", ["blues-walking", "thread-through-all-keys"])
def test_a_heading_stays_with_its_key(name: str) -> None:
    """The name of a key is on the page where its first chord symbol is, which follows it."""
    score, found = preset(name)
    text = pages(pdf(found.handout))
    for section in found.handout.sections:
        chord = score.chart.bars[section.first_bar].spans[0].chord
        assert chord is not None
        parts = [re.split(rf"^{section.label}$", page, flags=re.MULTILINE) for page in text]
        (after,) = [part[1] for part in parts if len(part) == 2]
        assert chord.pretty in "".join(after.split())  # what is raised is read as a line


def test_contents_name_the_right_pages() -> None:
    """A booklet has its title and contents on one page; their numbers are the pages where the
    drills' titles stand, and page numbers go through.  Answers begin a page of their own."""
    names = ["blues-walking", "paper-lantern", "first-two-fives"]
    sheets = [preset(name)[1].handout for name in names]
    cover = Booklet("A month by the water", ("Three drills",))
    text = pages(booklet(cover, sheets[:2], sheets[2:]))
    assert text[0].split("\n")[:2] == ["A month by the water", "Three drills"]
    listed = dict(re.findall(r"^(.+?)[ .]{3,}(\d+)$", text[0], re.MULTILINE))
    assert list(listed) == [sheet.title for sheet in sheets]
    begins = {
        title: [n for n, page in enumerate(text, start=1) if f"\n{title}\n" in page]
        for title in listed
    }
    assert begins == {title: [int(number)] for title, number in listed.items()}
    answers = text[begins[sheets[2].title][0] - 1]
    assert not any(title in answers for title in list(begins)[:2])
    for number, page in enumerate(text, start=1):
        assert page.endswith(f"{number} / {len(text)}")


Term = tuple[list[Sheet], list[Engraved], bytes]


@pytest.fixture(scope="module")
def term() -> Term:
    """The sheets of a preset lesson of twelve drills, how they are engraved, and its booklet."""
    drills = load("first-term-of-two-fives").drills
    found = [sheets(scores(drill)).handout for drill in drills]
    engraved: list[Engraved] = []

    def kept(sections: Sequence[Section]) -> Engraved:
        engraved.append(on_paper(sections))
        return engraved[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("drillgen.sheet.pdf.on_paper", kept)
        made = booklet(Booklet("A term", ("Twelve drills",)), found)
    return found, engraved, made


def test_a_booklet_of_twelve_drills_is_slim(term: Term) -> None:
    """Twelve drills of three to twelve keys are no more than 22 pages, the title's included, and
    have all their systems: 5 lines each, drawn by another library, 7 mm high on every page."""
    found, engraved, made = term
    document = pypdfium2.PdfDocument(made)
    assert 12 < len(document) <= 22
    heights: list[float] = []
    for page in document:
        drawn = page.render(scale=150 / 72, grayscale=True).to_numpy().squeeze()
        tops = line_tops(drawn)
        assert len(tops) % 5 == 0
        heights += [(tops[at + 4] - tops[at]) / 150 * 25.4 for at in range(0, len(tops), 5)]
    assert len(engraved) == len(found)
    pieces = (keys for each in engraved for keys in each.pieces)
    assert len(heights) == sum(map(len, pieces))
    assert heights == pytest.approx([7.0] * len(heights), abs=0.2)


def test_no_heading_stands_at_a_foot(term: Term) -> None:
    """After the name of every key its first chord symbol is on the same page, and a drill of up to
    five keys is on one page, by the PDF's own bookmarks."""
    found, _, made = term
    reader, text = PdfReader(io.BytesIO(made)), pages(made)
    drills = [mark for mark in reader.outline if isinstance(mark, list)]
    for sheet, keys in zip(found, drills, strict=True):
        stands = [reader.get_destination_page_number(key) for key in keys]  # type: ignore[arg-type]
        for section, page in zip(sheet.sections, stands, strict=True):
            symbol = ET.fromstring(section.musicxml).find(".//harmony/kind")
            assert symbol is not None and page is not None
            after = re.split(rf"^{section.label}$", text[page], flags=re.MULTILINE)[1:]
            assert after and all(symbol.get("text", "") in each for each in after)
        assert len(sheet.sections) > 5 or len(set(stands)) == 1


def test_responses_share_their_calls_line() -> None:
    """A call of whole notes and the slashes to answer in are one line on paper, one clef a key
    (SMuFL: fClef E062) and the held end; notes in eighths keep a line for each."""
    shared = preset("first-two-fives")[1].handout
    assert len(shared.sections) > 1
    sizes = [[len(each.bar_ids) for each in piece] for piece in on_paper(shared.sections).pieces]
    assert sizes == [[8]] * (len(sizes) - 1) + [[8, 2]]
    full = sheets_of(**WORST)[1].handout
    sizes = [[len(each.bar_ids) for each in piece] for piece in on_paper(full.sections).pieces]
    assert max(size for piece in sizes for size in piece) <= 4


def test_a_booklet_can_be_leafed_through(worst: tuple[Score, Sheets]) -> None:
    """Drills and their keys are the PDF's bookmarks."""
    made = booklet(Booklet("One drill"), [worst[1].handout])
    marks = PdfReader(io.BytesIO(made)).outline
    titles = [mark["/Title"] for mark in marks if not isinstance(mark, list)]
    keys = [mark["/Title"] for each in marks if isinstance(each, list) for mark in each]  # type: ignore[call-overload]
    assert titles[-1] == WORST["title"]
    assert keys == [section.label for section in worst[1].handout.sections]


def test_the_same_sheet_gives_the_same_bytes(worst: tuple[Score, Sheets], printed: bytes) -> None:
    """No date and no chance: made again, the PDF is the same."""
    assert pdf(sheets_of(**WORST, note=NOTE, seed=12)[1].handout) == printed
    assert PdfReader(io.BytesIO(printed)).metadata.get("/CreationDate") is None  # type: ignore[union-attr]


def test_a_missing_library_is_named(
    monkeypatch: pytest.MonkeyPatch, worst: tuple[Score, Sheets]
) -> None:
    """Where typst is missing, the person reads what to install."""
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(SheetError, match="pip install typst"):
        pdf(worst[1].handout)
