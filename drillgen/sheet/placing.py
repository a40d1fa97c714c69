"""Where texts stand, put right after verovio: on one line, under their notes, inside the page."""

from __future__ import annotations

import re
from itertools import islice, product
from xml.etree import ElementTree as ET

from drillgen.sheet.symbols import ROOT_SIZE

NUMBER = re.compile(r"-?[\d.]+")
ROW_SIZE = 385  # of what stands under the staff, in tenths of a verovio pixel
_CENTRED = 3  # letters
# Widths of note heads: Bravura's, in thousandths of verovio's size of 720.
HEADS = {"E0A4": 0.295 * 720, "E0A3": 0.295 * 720, "E0A2": 0.422 * 720}
_OVER_THE_CHORDS = 40
_UNDER_TEXT = 110  # g, y and brackets
_UNDER_GLYPH = 480  # a treble clef, from the line it names
_WIDEST_LETTER = 0.7  # as a share of its size: a capital's


def level_chords(system: ET.Element) -> None:
    """All chord symbols of a system stand on one line, the highest that one of them needs."""
    texts = [text for group in _of_class(system, "sheet-chord") for text in group.iter("text")]
    highest = min((float(text.attrib["y"]) for text in texts), default=0.0)
    for text in texts:
        text.set("y", f"{highest:g}")


def bring_marks_in(system: ET.Element) -> float:
    """Verovio centres a section's name over the barline, where a long one would leave the page, or
    hide a chord symbol: it begins on the page, and over the symbols that it would touch.

    Returns how high the marks reach.
    """
    chords = [_extent(text) for group in _of_class(system, "sheet-chord") for text in group]
    return min((_bring_in(mark, chords) for mark in _marks(system)), default=0.0)


def _bring_in(mark: ET.Element, chords: list[tuple[float, float, float]]) -> float:
    left, top, width, height = (
        float(mark[0].attrib[name]) for name in ("x", "y", "width", "height")
    )
    right = max(-left, 0.0)
    under = [y for start, end, y in chords if start < left + right + width and end > left]
    up = max(top + height + _OVER_THE_CHORDS - min(under, default=top + 2 * height), 0.0)
    for element in mark:
        element.set("x", f"{float(element.attrib['x']) + right:g}")
        element.set("y", f"{float(element.attrib['y']) - up:g}")
    return top - up


def _marks(system: ET.Element) -> list[ET.Element]:
    """Boxed names: each a group of a box and a text."""
    marks = _of_class(system, "sheet-mark")
    return [mark for mark in marks if [each.tag for each in mark] == ["rect", "text"]]


def _extent(chord: ET.Element) -> tuple[float, float, float]:
    """Where a chord symbol begins, ends at the latest, and the top of its letters."""
    left, baseline = float(chord.attrib["x"]), float(chord.attrib["y"])
    runs = [(len(run.text or ""), float(run.attrib["font-size"])) for run in chord]
    width = sum(letters * size * _WIDEST_LETTER for letters, size in runs)
    return left, left + width, baseline - ROOT_SIZE


def centre_rows(system: ET.Element) -> None:
    """Fingers, strings and degrees stand under the middle of their notes' heads.

    A row with longer texts (positions) stays where verovio found room for them.
    """
    rows: dict[str, list[tuple[ET.Element, float]]] = {}
    for note in _of_class(system, "sheet-note"):
        heads = (use for use in note.iter("use") if _code(use) in HEADS)
        for head, row in product(islice(heads, 1), _of_class(note, "sheet-row")):
            left = float(NUMBER.findall(head.attrib["transform"])[0])
            for text in row.iter("text"):
                text.set("font-size", str(ROW_SIZE))
                middle = left + HEADS[_code(head)] / 2
                rows.setdefault(text.attrib["y"], []).append((text, middle))
    for texts in rows.values():
        if all(len(text.text or "") <= _CENTRED for text, _ in texts):
            for text, middle in texts:
                text.attrib.update({"x": f"{middle:.0f}", "text-anchor": "middle"})


def lowest(system: ET.Element) -> float:
    """How far down a system reaches, at the most; verovio leaves room under it besides."""
    return max(_reaches(element) for element in system.iter())


def _reaches(element: ET.Element) -> float:
    if element.tag == "path":
        return max(map(float, NUMBER.findall(element.attrib["d"])[1::2]))
    if element.tag == "polygon":
        return max(map(float, NUMBER.findall(element.attrib["points"])[1::2]))
    if element.tag == "text":
        return float(element.attrib["y"]) + _UNDER_TEXT
    if element.tag == "use":
        return float(NUMBER.findall(element.attrib["transform"])[1]) + _UNDER_GLYPH
    return 0.0


def _of_class(element: ET.Element, name: str) -> list[ET.Element]:
    return [group for group in element.iter("g") if group.get("class") == name]


def _code(use: ET.Element) -> str:
    return use.get("href", "").removeprefix("#")
