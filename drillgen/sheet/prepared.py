"""MusicXML as verovio engraves it best, from the MusicXML that editors read.

What differs, measured with verovio 6.4: it prints `<degree>` beside the kind's own text though it
is not to be printed; it places `<unpitched>` as if every clef were treble; a bar without a
chord symbol is too wide where the next one has one; and only a page break gives each system a
picture of its own.  Reader, key and tempo stand in the heading over the staff, so they are taken
off it.
"""

from __future__ import annotations

from collections.abc import Iterator
from xml.etree import ElementTree as ET

BARS_A_SYSTEM = 4
# Verovio leaves as much room for a chord symbol as plain text of its size takes; ours has a larger
# root.  Spaces that do not break make up for it, with a gap to the next symbol.
ROOM = "\u00a0\u00a0"
_MIDDLE_OF_TREBLE = ("B", "4")


def prepared(musicxml: str, bars_a_system: int | None = None) -> str:
    """The same music, each system on a page of its own.

    Systems begin where the file says so (`<print new-system>`); where it says nothing, or
    `bars_a_system` is given, they have so many bars.
    """
    root = ET.fromstring(musicxml)
    for part in root.iter("score-part"):
        for name in (*part.findall("part-name"), *part.findall("part-abbreviation")):
            name.text = ""
    for harmony in root.iter("harmony"):
        _plain_harmony(harmony)
    for unpitched in root.iter("unpitched"):
        for child, value in zip(unpitched, _MIDDLE_OF_TREBLE, strict=False):
            child.text = value
    for part in root.iter("part"):
        measures = part.findall("measure")
        _even_bars(measures)
        _bare_first(measures[0])
        _pages(measures, bars_a_system)
    return ET.tostring(root, encoding="unicode")


def _even_bars(measures: list[ET.Element]) -> None:
    """Give bars without a chord symbol a blank one, where others have one."""
    bare = [measure for measure in measures if measure.find("harmony") is None]
    for measure in bare if len(bare) < len(measures) else ():
        blank = ET.Element("harmony")
        ET.SubElement(ET.SubElement(blank, "root"), "root-step", {"text": ""}).text = "C"
        ET.SubElement(blank, "kind", {"text": ROOM}).text = "none"
        first = next(place for place, each in enumerate(measure) if each.tag == "note")
        measure.insert(first, blank)


def _plain_harmony(harmony: ET.Element) -> None:
    for degree in harmony.findall("degree"):
        harmony.remove(degree)
    kind = harmony.find("kind")
    if kind is not None:
        kind.set("text", kind.get("text", "") + ROOM)


def _bare_first(measure: ET.Element) -> None:
    """Take the key's name and the tempo off the first bar."""
    for direction in measure.findall("direction"):
        if _is_heading(direction):
            measure.remove(direction)


def _is_heading(direction: ET.Element) -> bool:
    boxed = any(words.get("enclosure") == "rectangle" for words in direction.iter("words"))
    return boxed or next(direction.iter("metronome"), None) is not None


def _pages(measures: list[ET.Element], bars_a_system: int | None) -> None:
    encoded = set(_encoded(measures))
    if bars_a_system is not None or not encoded - {0}:
        size = bars_a_system or BARS_A_SYSTEM
        encoded = set(range(0, len(measures), size))
    for index, measure in enumerate(measures):
        for old in measure.findall("print"):
            measure.remove(old)
        if index and index in encoded:
            measure.insert(0, ET.Element("print", {"new-page": "yes"}))


def _encoded(measures: list[ET.Element]) -> Iterator[int]:
    """Which measures begin a system, as the file says."""
    for index, measure in enumerate(measures):
        mark = measure.find("print")
        if mark is not None and "yes" in (mark.get("new-system"), mark.get("new-page")):
            yield index
