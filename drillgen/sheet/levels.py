"""How high chord symbols and names in boxes stand over a system.

All chord symbols are on one line.  Verovio (6.4) now and then puts those of a bar a line higher
than anything there needs: the best of its places is the lowest at which every symbol is clear.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple
from xml.etree import ElementTree as ET

from drillgen.sheet.placing import CLEFS, HEADS, NUMBER, code_of, extent, of_class

# In tenths of a verovio pixel; a staff is 720 high.
_CLEAR = 60  # between a symbol and what is under it
_UP = 320  # how far a sign of the music font reaches up at most: a flat's stem
_HEAD_UP = 90
_OVER_LETTERS = 0.25  # what letters leave free of their size
_WIDE = 300  # a sign, at most


class _Ink(NamedTuple):
    """Something drawn, at its widest, and its top."""

    left: float
    right: float
    top: float


def level_chords(system: ET.Element) -> None:
    """Set the symbols on one line: the lowest of verovio's places where none touches anything."""
    texts = [text for group in of_class(system, "sheet-chord") for text in group.iter("text")]
    places = sorted({float(text.attrib["y"]) for text in texts}, reverse=True)
    if len(places) < 2:
        return
    spans = [extent(text)[:2] for text in texts]
    ink = list(_under(system, "sheet-chord", "sheet-mark"))
    level = next((y for y in places if _is_clear(spans, y, ink)), places[-1])
    for text in texts:
        text.set("y", f"{level:g}")


def _is_clear(spans: Sequence[tuple[float, float]], y: float, ink: Sequence[_Ink]) -> bool:
    high = [each for each in ink if each.top < y + _CLEAR]
    return not any(
        each.left < right and left < each.right for each in high for left, right in spans
    )


def bring_marks_in(system: ET.Element) -> float:
    """Verovio centres a section's name over the barline, where a long one would leave the page or
    hide something else: it begins on the page, and over what it would touch.

    Returns how high marks and numbers reach.
    """
    ink = list(_under(system, "sheet-mark"))
    numbers = [text for group in of_class(system, "sheet-number") for text in group]
    tops = [extent(text)[2] for text in numbers]
    return min([*(_bring_in(mark, ink) for mark in _marks(system)), *tops, 0.0])


def _bring_in(mark: ET.Element, ink: Sequence[_Ink]) -> float:
    left, top, width, height = (
        float(mark[0].attrib[name]) for name in ("x", "y", "width", "height")
    )
    right = max(-left, 0.0)
    end = left + right + width + _CLEAR
    under = [each.top for each in ink if each.left < end and left < each.right]
    up = max(top + height + _CLEAR - min(under, default=top + 2 * height), 0.0)
    for element in mark:
        element.set("x", f"{float(element.attrib['x']) + right:g}")
        element.set("y", f"{float(element.attrib['y']) - up:g}")
    return top - up


def _marks(system: ET.Element) -> list[ET.Element]:
    """Boxed names: each a group of a box and a text."""
    marks = of_class(system, "sheet-mark")
    return [mark for mark in marks if [each.tag for each in mark] == ["rect", "text"]]


def _under(element: ET.Element, *above: str) -> Iterator[_Ink]:
    """Everything but what is of the classes that are put over it."""
    for child in element:
        if child.get("class") not in above:
            yield from _ink(child)
            yield from _under(child, *above)


def _ink(element: ET.Element) -> Iterator[_Ink]:
    if element.tag == "text":
        left, right, top = extent(element)
        top += float(element.attrib["font-size"]) * _OVER_LETTERS
        yield _Ink(left - (right - left if element.get("text-anchor") else 0.0), right, top)
    elif element.tag == "use":
        x, y = map(float, NUMBER.findall(element.attrib["transform"])[:2])
        code = code_of(element)
        yield _Ink(x, x + _WIDE, y - (_HEAD_UP if code in HEADS else CLEFS.get(code, _UP)))
    elif element.tag in ("path", "polygon"):
        drawn = [
            float(number)
            for number in NUMBER.findall(element.get("d", "") or element.get("points", ""))
        ]
        yield _Ink(min(drawn[::2]), max(drawn[::2]), min(drawn[1::2]))
    elif element.tag == "rect" and "x" in element.attrib:
        x, y, width = (float(element.attrib[name]) for name in ("x", "y", "width"))
        yield _Ink(x, x + width, y)
