"""What touches on a sheet, measured in a browser; and every preset's sheets, in every key, on
demand, for seven readers besides their own or for those that are named, the whole or a part of it:

    python -m tests.sheet.collisions [--readers "tuba,alto clef"] [--part 1/4] [PRESET …]
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from playwright import sync_api

import drillgen
from drillgen.drill.files import list_presets
from drillgen.errors import DrillgenError
from drillgen.sheet.sheets import Sheet, sheets
from drillgen.sheet.svg import WIDTH as FULL
from drillgen.sheet.svg import on_paper as engraved_on_paper
from drillgen.sheet.svg import whole_svg
from tests.conftest import chromium
from tests.sheet.written import scores

WIDTH = 1800  # CSS pixels in which a sheet is drawn
LEAST = 0.5  # of them that two boxes may share
MEASURE = (Path(__file__).parent / "ink.js").read_text("utf-8")
READERS = ("Bb", "Eb", "tenor", "treble", "horn", "alto clef", "tuba")


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


def measured(browser: Any, pictures: Sequence[str]) -> list[list[Box]]:
    """The boxes of each picture, drawn as wide as the page."""
    page = browser.new_page(viewport={"width": WIDTH, "height": 1000})
    found = []
    for picture in pictures:
        page.set_content(f"<meta charset=utf-8><body style='margin:0'>{picture}")
        page.evaluate("document.fonts.ready")
        assert page.evaluate("[...document.fonts].some(font => font.status === 'loaded')")
        found.append([Box(*box) for box in page.evaluate(MEASURE)])
    page.close()
    return found


def touching(boxes: Sequence[Box]) -> list[tuple[Box, Box]]:
    """Texts that touch each other or a sign, and what leaves the sheet beside itself."""
    outside = [(b, b) for b in boxes if b.left < 0 or b.right > WIDTH or b.top < 0]
    found, beside = list[tuple[Box, Box]](), list[Box]()
    for box in sorted(boxes, key=lambda box: box.top):
        beside = [other for other in beside if other.bottom > box.top]  # the others lie higher
        found += [(other, box) for other in beside
                  if "text" in (other.kind, box.kind) and other.touches(box)]  # fmt: skip
        beside.append(box)
    return outside + found


def sheets_of_preset(
    name: str, keys: str | Sequence[str] = "fourths", readers: Sequence[str] = READERS
) -> Iterator[Sheet]:
    """The sheets of a preset's drills, in other keys and for other readers, as far as the drill can
    be played there."""
    asked: dict[str, Any] = {"key_cycle": keys, "sheet.also_for": [*readers]}
    try:
        for drill in drillgen.load(name, **asked).drills:
            yield from sheets(scores(drill)).all
    except DrillgenError as error:
        print(f"{name}: {error}", file=sys.stderr)


def on_paper(sheet: Sheet) -> str:
    return whole_svg(sheet.title, sheet.sections)


def staff_size(sheet: Sheet) -> float:
    """How large its staves are: 1 is 7 mm high, which is less only where one bar alone is wider
    than the page."""
    return FULL * 10 / engraved_on_paper(sheet.sections).width


def main(names: Sequence[str], readers: Sequence[str]) -> int:
    """Look at the sheets of some presets; how many touch or are smaller."""
    playwright = sync_api.sync_playwright().start()
    browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
    bad = 0
    for name in names:
        for sheet in sheets_of_preset(name, readers=readers):
            (boxes,) = measured(browser, [on_paper(sheet)])
            found, size = touching(boxes), staff_size(sheet)
            bad += bool(found) or size < 1
            which = f"{name}: {sheet.title} {sheet.name}"
            print(f"{which}: {len(boxes)} boxes, {len(found)} touch, size {size:.2f}", flush=True)
            for one, other in found[:3]:
                print(f"    {one.bar} {one.what!r} and {other.bar} {other.what!r}")
    browser.close()
    playwright.stop()
    return bad


def _asked() -> tuple[list[str], list[str]]:
    """The presets and readers to look at."""
    parser = argparse.ArgumentParser()
    parser.add_argument("presets", nargs="*")
    parser.add_argument("--readers", default=",".join(READERS))
    parser.add_argument("--part", default="1/1")
    given = parser.parse_args()
    part, parts = map(int, given.part.split("/"))
    names = given.presets or [preset.name for preset in list_presets()]
    return names[part - 1 :: parts], given.readers.split(",")


if __name__ == "__main__":
    sys.exit(min(main(*_asked()), 1))
