"""What stands in the margin of a system: the number of its first bar, and what its rows are.

A number stands over the clef, where other programs put it too (common practice).  The names of two
fingerings stand before their rows in a key's first system: clef, signature and meter leave room.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from drillgen.sheet.placing import CLEFS, NUMBER, code_of, of_class

_SIZE = 290  # in tenths of a verovio pixel; a staff is 720 high
_GAP = 70  # between a number and what is under it, or a name and the line before it
_FINGERS = "finger, "  # what a row's name begins with where there are two fingerings


@dataclass(frozen=True, slots=True)
class Margin:
    """What a piece of music says about its margins."""

    numbers: Mapping[str, str]  # by the id of a measure; a pick-up has none
    rows: tuple[str, ...]  # the names of the rows under the staff, from above to below


def margin(musicxml: str) -> Margin:
    """Read a MusicXML text."""
    root = ET.fromstring(musicxml)
    counted = (each for each in root.iter("measure") if each.get("implicit") != "yes")
    numbers = {each.get("id", ""): each.get("number", "") for each in counted}
    rows = {int(each.get("number", "1")): each.get("name", "") for each in root.iter("lyric")}
    return Margin(numbers, tuple(rows[place] for place in sorted(rows)))


def write_margin(system: ET.Element, beside: Margin, *, opens: bool) -> None:
    """Put into a system's first bar what stands in its margin; `opens` where a key begins."""
    bars = of_class(system, "sheet-bar")
    number = next((n for bar in bars if (n := beside.numbers.get(bar.get("id", "")))), "")
    bars[0].append(_words("sheet-number", number, _top(bars[0]) - _GAP))
    if opens:
        named = _names(system, beside.rows)
        bars[0].extend([_words("sheet-name", word, y, x=_GAP) for word, y in named])


def _words(kind: str, words: str, y: float, x: int = 0) -> ET.Element:
    group = ET.Element("g", {"class": kind})
    text = ET.SubElement(group, "text", {"x": str(x), "y": f"{y:g}", "font-size": str(_SIZE)})
    text.text = words
    return group


def _top(bar: ET.Element) -> float:
    """The top of the staff where a system begins, its clef included."""
    line = next(bar.iter("path"))
    clefs = (use for use in bar.iter("use") if code_of(use) in CLEFS)
    tops = [
        float(NUMBER.findall(clef.attrib["transform"])[1]) - CLEFS[code_of(clef)] for clef in clefs
    ]
    return min([float(NUMBER.findall(line.attrib["d"])[1]), *tops])


def _names(system: ET.Element, rows: tuple[str, ...]) -> Iterator[tuple[str, float]]:
    """The words of each fingering's name, one a row from its fingers on, where all rows show."""
    texts = (text for row in of_class(system, "sheet-row") for text in row.iter("text"))
    places = sorted({float(text.attrib["y"]) for text in texts})
    for index, row in enumerate(rows):
        if row.startswith(_FINGERS) and len(places) == len(rows):
            words = row.removeprefix(_FINGERS).removeprefix("with ").split()
            yield from zip(words, places[index:], strict=False)
