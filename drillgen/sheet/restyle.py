"""Verovio's picture of one system, made fit for paper and page.

Its own style sheet, random ids and class names go: they would leak from one picture into another
on the same page.  What is left: one group a bar, named as in the MusicXML (`b12`), a group a note
(`b12n3`), text as text in one font, and `currentColor` throughout, so that a page can colour it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from drillgen.sheet import symbols
from drillgen.sheet.levels import bring_marks_in, level_chords
from drillgen.sheet.margin import Margin, write_margin
from drillgen.sheet.placing import (
    NUMBER,
    ROW_SIZE,
    centre_rows,
    lowest,
)
from drillgen.sheet.prepared import ROOM

SVG = "{http://www.w3.org/2000/svg}"
_OURS = re.compile(r"(k\d+)?b\d+p?(n\d+(c\d+|t)?)?")  # bars and notes, as in the MusicXML
_MARGIN = 60.0  # over and under a system, in tenths of a verovio pixel
_WITH_IDS = ("measure", "note", "rest", "mRest")
# What the page may style, by verovio's class.
_CLASSES = {
    "measure": "sheet-bar",
    "note": "sheet-note",
    "notehead": "sheet-head",
    "rest": "sheet-rest",
    "mRest": "sheet-rest",
    "beam": "sheet-beam",
    "tuplet": "sheet-beam",
    "tie": "sheet-tie",
    "harm": "sheet-chord",
    "reh": "sheet-mark",
    "verse": "sheet-row",
    "dir": "sheet-words",
    "tempo": "sheet-words",
}
_STYLES = {"dir": {"font-style": "italic"}, "reh": {"font-weight": "bold"},
           "tempo": {"font-weight": "bold"}, "fing": {"font-weight": "bold"}}  # fmt: skip
_NOT_SHOWN = ("mNum", "pgHead", "pgFoot", "placeholder", "grpSym", "labelAttr")
# Verovio sets these signs in the music font's private letters (SMuFL); as text they are Unicode's.
_SIGNS = str.maketrans({"\uea63": "𝄫", "\uea64": "♭", "\uea65": "♮", "\uea66": "♯", "\uea67": "𝄪",
                        "\ue264": "𝄫", "\ue260": "♭", "\ue261": "♮", "\ue262": "♯", "\ue263": "𝄪",
                        "\ueca5": "♩", "\uecb7": ".", "\ue1e7": "."})  # fmt: skip


@dataclass(frozen=True, slots=True)
class Picture:
    """One system: `width` and `height` in tenths of a verovio pixel (a staff is 720 high)."""

    width: float
    height: float
    bar_ids: tuple[str, ...]
    group: ET.Element
    glyphs: dict[str, ET.Element]  # the music font's shapes by code, which `use` elements name


def restyled(svg: str, beside: Margin, *, opens: bool) -> Picture:
    """Read what verovio drew; `opens` where it is the first system of a key."""
    root = ET.fromstring(svg)
    inner = root.find(f"{SVG}svg")
    assert inner is not None
    width, height = (float(number) for number in inner.attrib["viewBox"].split()[2:])
    page = next(group for group in inner.iter(f"{SVG}g") if group.get("class") == "page-margin")
    system = next(group for group in page.iter(f"{SVG}g") if group.get("class") == "system")
    group = ET.Element("g")
    group.extend([_restyled(child) for child in system if not _hidden(child)])
    level_chords(group)
    centre_rows(group)
    write_margin(group, beside, opens=opens)
    left, top = map(float, NUMBER.findall(page.get("transform", "0 0")))
    room = max(_MARGIN - top - bring_marks_in(group), 0.0)
    height = min(height, top + lowest(group) + _MARGIN)
    group.set("transform", f"translate({left:g} {top + room:g})")
    bars = tuple(_boxed_bars(group, -top - room, height + room))
    glyphs = {
        glyph.attrib["id"].split("-")[0]: _plain(glyph[0])
        for glyph in root.iterfind(f"{SVG}defs/*")
    }
    return Picture(width, height + room, bars, group, glyphs)


def _boxed_bars(system: ET.Element, top: float, height: float) -> Iterator[str]:
    """Give each bar a box that takes the pointer and that a page may fill; yield the bars' ids."""
    for bar in system.iter("g"):
        if bar.get("class") == "sheet-bar":
            left, right = _extent(bar)
            box = ET.Element("rect", {"class": "sheet-box", "x": f"{left:g}", "y": f"{top:g}"})
            box.attrib.update({"width": f"{right - left:g}", "height": f"{height:g}"})
            box.attrib.update({"fill": "none", "pointer-events": "all"})
            bar.insert(0, box)
            yield bar.attrib["id"]


def _extent(bar: ET.Element) -> tuple[float, float]:
    """Where a bar's staff lines begin and end."""
    line = next(bar.iter("path"))
    left, _, right, _ = map(float, NUMBER.findall(line.attrib["d"]))
    return left, right


def _hidden(element: ET.Element) -> bool:
    blank = element.get("class") == "harm" and not "".join(element.itertext()).strip()
    return blank or any(name in _NOT_SHOWN for name in element.get("class", "").split())


def _restyled(element: ET.Element) -> ET.Element:
    kind = element.get("class", "")
    if kind == "harm":
        return _chord(element)
    plain = _plain(element)
    plain.attrib.update(_STYLES.get(kind, {}))
    for child in element:
        if child.tag == f"{SVG}text":
            plain.append(_text(child))
        elif not _hidden(child):
            plain.append(_restyled(child))
    return plain


def _plain(element: ET.Element) -> ET.Element:
    """The element without its children, its random id and verovio's class."""
    kind, _, _ = element.get("class", "").partition(" ")
    plain = ET.Element(element.tag.removeprefix(SVG))
    for name, value in element.attrib.items():
        if name == "href":
            plain.set(name, value.partition("-")[0])  # a scope is put before it when it is drawn
        elif name not in ("class", "id"):
            plain.set(name, value)
    if kind in _CLASSES:
        plain.set("class", _CLASSES[kind])
    if kind in _WITH_IDS and _OURS.fullmatch(element.get("id", "")):
        plain.set("id", element.attrib["id"])
    if "stroke-width" in plain.attrib:
        plain.set("stroke", "currentColor")
    return plain


def _chord(element: ET.Element) -> ET.Element:
    plain = _plain(element)
    for text in element.iter(f"{SVG}text"):
        symbol = _letters(text).replace(ROOM, "").strip()
        plain.append(symbols.drawn(symbol, text.attrib["x"], text.attrib["y"]))
    return plain


def _letters(text: ET.Element) -> str:
    return "".join(
        (span.text or "") for span in text.iter(f"{SVG}tspan") if "font-size" in span.attrib
    ).translate(_SIGNS)


def _text(text: ET.Element) -> ET.Element:
    """A text in one run: its letters at the size of the first that is set in the text font."""
    sizes = (
        span.attrib["font-size"].removesuffix("px")
        for span in text.iter(f"{SVG}tspan")
        if "font-size" in span.attrib and "font-family" not in span.attrib
    )
    plain = _plain(text)
    plain.set("font-size", next(sizes, str(ROW_SIZE)))
    plain.text = _letters(text)
    return plain
