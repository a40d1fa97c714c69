"""Where texts stand, put right after verovio: rows under their notes."""

from __future__ import annotations

import re
from itertools import islice, product
from xml.etree import ElementTree as ET

NUMBER = re.compile(r"-?[\d.]+")
ROW_SIZE = 385  # of what stands under the staff, in tenths of a verovio pixel
_CENTRED = 3  # letters
# Widths of note heads: Bravura's, in thousandths of verovio's size of 720.
HEADS = {"E0A4": 0.295 * 720, "E0A3": 0.295 * 720, "E0A2": 0.422 * 720}
# How far a clef reaches up from the line that it names, by the same measure.
CLEFS = {"E050": 1.098 * 720, "E062": 0.262 * 720, "E05C": 0.506 * 720}
_UNDER_TEXT = 110  # g, y and brackets
_UNDER_GLYPH = 480  # a treble clef, from the line it names
_WIDEST_LETTER = 0.7  # as a share of its size: a capital's


def extent(text: ET.Element) -> tuple[float, float, float]:
    """Where a text begins, ends at the latest, and the top of its letters."""
    left, baseline = float(text.attrib["x"]), float(text.attrib["y"])
    size = float(text.attrib["font-size"])
    runs = [(len(run.text or ""), float(run.get("font-size", size))) for run in text.iter()]
    width = sum(letters * size * _WIDEST_LETTER for letters, size in runs)
    return left, left + width, baseline - size


def centre_rows(system: ET.Element) -> None:
    """Fingers, strings and degrees stand under the middle of their notes' heads.

    A row with longer texts (positions) stays where verovio found room for them.
    """
    rows: dict[str, list[tuple[ET.Element, float]]] = {}
    for note in of_class(system, "sheet-note"):
        heads = (use for use in note.iter("use") if code_of(use) in HEADS)
        for head, row in product(islice(heads, 1), of_class(note, "sheet-row")):
            left = float(NUMBER.findall(head.attrib["transform"])[0])
            for text in row.iter("text"):
                text.set("font-size", str(ROW_SIZE))
                middle = left + HEADS[code_of(head)] / 2
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


def of_class(element: ET.Element, name: str) -> list[ET.Element]:
    return [group for group in element.iter("g") if group.get("class") == name]


def code_of(use: ET.Element) -> str:
    return use.get("href", "").removeprefix("#")
