"""Putting systems and words together into one SVG, with the font that its text is set in."""

from __future__ import annotations

import base64
import copy
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree as ET

from drillgen.sheet.restyle import Picture

FONTS = Path(__file__).parent / "typeset"
FAMILY = "Drillgen Sheet"
# Where the font cannot be loaded: fonts of the same widths come first.
_FAMILIES = f"'{FAMILY}', 'Times New Roman', 'Liberation Serif', Times, serif"
_STYLES = {
    "Regular": "",
    "Bold": "font-weight: bold;",
    "Italic": "font-style: italic;",
}
_MARGIN = 60  # around the whole drawing, in tenths of a verovio pixel
_BOX = 110  # between words and the box around them
_WIDTH_OF_LETTERS = 0.56  # a generous mean width of bold letters, as a share of their size


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text over the music."""

    text: str
    size: int
    bold: bool = False
    middle: bool = False
    boxed: bool = False


@dataclass(slots=True)
class Drawing:
    """What is drawn so far, from above to below."""

    width: float
    height: float = 0.0
    elements: list[ET.Element] = field(default_factory=list)
    glyphs: dict[str, ET.Element] = field(default_factory=dict)

    def picture(self, picture: Picture, gap: float = 0.0) -> None:
        """Add a system."""
        group = ET.Element("g", {"transform": f"translate(0 {self.height + gap:g})"})
        group.append(copy.deepcopy(picture.group))
        self.elements.append(group)
        self.glyphs |= picture.glyphs
        self.height += gap + picture.height

    def words(self, words: Words, gap: float = 0.0) -> None:
        """Add a line of text."""
        inset = _BOX if words.boxed else 0
        top = self.height + gap
        text = ET.Element("text", {"font-size": str(words.size)})
        text.set("x", f"{self.width / 2 if words.middle else inset + _MARGIN:g}")
        text.set("y", f"{top + inset + words.size * 0.8:g}")
        if words.bold:
            text.set("font-weight", "bold")
        if words.middle:
            text.set("text-anchor", "middle")
        text.text = words.text
        height = words.size + 2 * inset
        if words.boxed:
            self.elements.append(_box(words, top, height))
        self.elements.append(text)
        self.height = top + height


def _box(words: Words, top: float, height: float) -> ET.Element:
    width = len(words.text) * words.size * _WIDTH_OF_LETTERS + 2 * _BOX
    place = {"x": str(_MARGIN), "y": f"{top:g}", "width": f"{width:g}", "height": f"{height:g}"}
    return ET.Element(
        "rect", place | {"fill": "none", "stroke": "currentColor", "stroke-width": "20"}
    )


def svg_text(drawing: Drawing, *, label: str, scope: str, fonts: bool) -> str:
    """The drawing as SVG that scales to any width and takes its page's colour.

    `label` is what a screen reader says; `scope` goes before the ids of the music's shapes.
    """
    root = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "class": "sheet-strip"})
    width, height = drawing.width + 2 * _MARGIN, drawing.height + 2 * _MARGIN
    root.set("viewBox", f"{-_MARGIN} {-_MARGIN} {width:g} {height:g}")
    root.attrib.update({"role": "img", "aria-label": label, "fill": "currentColor"})
    root.set("font-family", _FAMILIES)
    if fonts:
        ET.SubElement(root, "style").text = font_faces(*_styles_of(drawing))
    shapes = ET.SubElement(root, "defs")
    for code, shape in drawing.glyphs.items():
        ET.SubElement(shapes, "g", {"id": f"{scope}{code}"}).append(shape)
    root.extend([_scoped(element, scope) for element in drawing.elements])
    return ET.tostring(root, encoding="unicode")


def _scoped(element: ET.Element, scope: str) -> ET.Element:
    for use in element.iter("use"):
        use.set("href", f"#{scope}{use.attrib['href'].removeprefix('#')}")
    return element


def _styles_of(drawing: Drawing) -> Iterator[str]:
    """Which styles of the font the drawing's text needs."""
    elements = [each for element in drawing.elements for each in element.iter()]
    yield "Regular"
    if any(each.get("font-weight") == "bold" for each in elements):
        yield "Bold"
    if any(each.get("font-style") == "italic" for each in elements):
        yield "Italic"


def font_faces(*styles: str) -> str:
    """CSS that brings the font (the styles named, or all), for pages that hold many strips."""
    return "".join(_font_face(style) for style in styles or _STYLES)


def _font_face(style: str) -> str:
    file = FONTS / f"{FAMILY.replace(' ', '')}-{style}.woff2"
    data = base64.b64encode(file.read_bytes()).decode("ascii")
    return (
        f"@font-face {{ font-family: '{FAMILY}'; {_STYLES[style]} "
        f"src: url(data:font/woff2;base64,{data}) format('woff2'); }}"
    )
