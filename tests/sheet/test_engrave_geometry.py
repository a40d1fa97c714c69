"""Nothing on a sheet touches anything else, measured in a browser with the font that it carries."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path
from typing import Any, NamedTuple

from drillgen.sheet.svg import strips
from tests.sheet.test_engrave import WORST
from tests.sheet.written import preset, sheets_of

LEAST = 0.5  # CSS pixels that two boxes may share, of a page 1,800 wide
MEASURE = (Path(__file__).parent / "ink.js").read_text("utf-8")


class Box(NamedTuple):
    """The ink of a text, a sign or a box, in CSS pixels."""

    kind: str  # "text" or "sign"
    what: str
    bar: str
    left: float
    top: float
    right: float
    bottom: float

    def touches(self, other: Box) -> bool:
        across = min(self.right, other.right) - max(self.left, other.left)
        down = min(self.bottom, other.bottom) - max(self.top, other.top)
        return across > LEAST and down > LEAST


def measured(browser: Any, pictures: list[str]) -> list[list[Box]]:
    """The boxes of each picture, drawn 1,800 pixels wide."""
    page = browser.new_page(viewport={"width": 1800, "height": 1000})
    found = []
    for picture in pictures:
        page.set_content(f"<meta charset=utf-8><body style='margin:0'>{picture}")
        page.evaluate("document.fonts.ready")
        assert page.evaluate("[...document.fonts].some(font => font.status === 'loaded')")
        found.append([Box(*box) for box in page.evaluate(MEASURE)])
    page.close()
    return found


def test_no_two_things_touch(browser: Any) -> None:
    """Chord symbols, words, rows and marks keep clear of each other and of heads, accidentals and
    rests, on the fullest sheets: eighths with fingerings over altered chords in Gb, B and F#; a
    form with named sections; five flats in five-four; tablature."""
    tab = WORST | {
        "line": {"kind": "arpeggio", "note": "eighth", "instrument": "electric"},
        "sheet": {"fingering": True, "tablature": True},
        "key_cycle": ["Gb"],
    }
    sheets = [
        sheets_of(**WORST)[1].handout,
        sheets_of(**tab)[1].handout,
        preset("same-thirds-other-roots")[1].handout,
        preset("three-plus-two")[1].handout,
    ]
    pictures = [strip.svg for sheet in sheets for strip in strips(sheet.sections)]
    for boxes in measured(browser, pictures):
        assert {box.kind for box in boxes} == {"text", "sign"}
        assert all(box.left >= 0 and box.right <= 1800 and box.top >= 0 for box in boxes)
        touching = [
            (one, other)
            for one, other in combinations(boxes, 2)
            if "text" in (one.kind, other.kind) and one.touches(other)
        ]
        assert touching == []
