"""Verovio's picture of one system, made fit for paper and page.

Its own style sheet, random ids and class names go: they would leak from one picture into another
on the same page.  What is left: one group a bar, named as in the MusicXML (`b12`), a group a note
(`b12n3`), text as text in one font, and `currentColor` throughout, so that a page can colour it.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from itertools import pairwise
from xml.etree import ElementTree as ET

from drillgen.sheet.notation import JUMPS
from drillgen.sheet.placing import (
    NUMBER,
    ROW_SIZE,
    Margin,
    bring_marks_in,
    centre_rows,
    draw_circles,
    level_chords,
    lift_brackets,
    lowest,
    place_jumps,
    write_margin,
)

# Chord symbols as a copyist sets them: root and accidental on the line, the suffix raised.
#
# Common practice in lead sheets: `m` and a bass after the stroke stand on the line with the root,
# the rest (7, maj7, dim, ♭9 …) is smaller and raised.

# In tenths of a verovio pixel; a staff is 720 high.
ROOT_SIZE = 460
SUFFIX_SIZE = 330
RAISED = 140
_BESIDE_A_SHARP = 30
_ROOT = r"[A-G][♭♯𝄫𝄪]*"
_SYMBOL = re.compile(rf"({_ROOT})(m(?!aj))?(.*?)(/{_ROOT})?", re.DOTALL)


@dataclass(frozen=True, slots=True)
class LetterRun:
    """Letters of one size at one height."""

    text: str
    size: int = ROOT_SIZE
    raised: int = 0


def runs(symbol: str) -> tuple[LetterRun, ...]:
    """A chord symbol such as `A♭m7♭5/G♭` in runs; what is no chord (N.C.) is one run."""
    found = _SYMBOL.fullmatch(symbol)
    if found is None:
        return (LetterRun(symbol),)
    root, minor, suffix, bass = (part or "" for part in found.groups())
    parts = (LetterRun(root + minor), LetterRun(suffix, SUFFIX_SIZE, RAISED), LetterRun(bass))
    return tuple(run for run in parts if run.text)


def drawn(symbol: str, x: str, y: str) -> ET.Element:
    """The symbol as an SVG text whose first letter stands at `x`, `y`."""
    text = ET.Element("text", {"x": x, "y": y, "font-size": str(ROOT_SIZE)})
    text.extend(list(_spans(runs(symbol))))
    return text


def _spans(parts: tuple[LetterRun, ...]) -> Iterator[ET.Element]:
    height, before = 0, ""
    for run in parts:
        span = ET.Element("tspan", {"font-size": str(run.size)})
        if run.raised != height:
            span.set("dy", str(height - run.raised))
        gaps = [_gap(one, other) for one, other in pairwise(before + run.text)]
        gaps = gaps if before else [0, *gaps]
        if any(gaps):
            span.set("dx", " ".join(map(str, gaps)))
        span.text, before = run.text, run.text[-1]
        height = run.raised
        yield span


def _gap(one: str, other: str) -> int:
    """Room between two letters, where the text's sharp would touch its neighbours."""
    return _BESIDE_A_SHARP if "♯" in (one, other) else 0


# MusicXML as verovio engraves it best, from the MusicXML that editors read.
#
# What differs, measured with verovio 6.4: it prints `<degree>` beside the kind's own text though it
# is not to be printed; it places `<unpitched>` as if every clef were treble; a bar without a chord
# symbol is too wide where the next one has one; it leaves out the sign beside "To Coda", and lifts
# all chord symbols over a jump; the sound of a jump ends the bracket over its bar; and only a
# page break gives each system a picture of its own.
# Reader, key and tempo stand in the heading over the staff, so they are taken off it.

BARS_A_SYSTEM = 4
# Verovio leaves as much room for a chord symbol as plain text of its size takes; ours has a larger
# root.  Spaces that do not break make up for it, with a gap to the next symbol.
ROOM = "\u00a0\u00a0"
_MIDDLE_OF_TREBLE = ("B", "4")


def system_starts(musicxml: str, bars_a_system: int | None = None) -> dict[int, str]:
    """Which measures begin a system, each with its id: where the file says so (`<print
    new-system>`); where it says nothing, or `bars_a_system` is given, systems have so many bars."""
    measures = list(ET.fromstring(musicxml).iter("measure"))
    found = {0, *_encoded(measures)}
    if bars_a_system is not None or len(found) == 1:
        found = set(range(0, len(measures), bars_a_system or BARS_A_SYSTEM))
    return {index: measures[index].get("id", "") for index in sorted(found)}


_BLANK = "\u00a0"  # no-break space


def prepared(musicxml: str, starts: Collection[int]) -> str:
    """The same music, each system on a page of its own, beginning at the measures `starts`."""
    root = ET.fromstring(musicxml)
    for part in root.iter("score-part"):
        for name in (*part.findall("part-name"), *part.findall("part-abbreviation")):
            name.text = ""
    for harmony in root.iter("harmony"):
        _plain_harmony(harmony)
    for words in root.iter("words"):
        if words.get("font-style") == "italic":  # then verovio keeps them off what they end beside
            words.text = f"{words.text}{_BLANK}"
    for unpitched in root.iter("unpitched"):
        for child, value in zip(unpitched, _MIDDLE_OF_TREBLE, strict=False):
            child.text = value
    for measure in root.iter("measure"):
        _jumps_below(measure, root.findtext(".//staves", "1"))
    for clef in root.iter("clef"):
        if clef.findtext("sign") == "TAB":
            _on_the_middle_line(clef, root.findtext(".//staff-lines", ""))
    for part in root.iter("part"):
        measures = part.findall("measure")
        _even_bars(measures)
        _bare_first(measures[0])
        _pages(measures, starts)
        _go_on(root, part, starts)
    return ET.tostring(root, encoding="unicode")


def _on_the_middle_line(clef: ET.Element, lines: str) -> None:
    for line in clef.findall("line"):
        line.text = str(int(lines) // 2 + 1)


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
    printed = []
    for degree in harmony.findall("degree"):
        if degree.get("print-object") != "no":
            printed.append(_degree(degree))
        harmony.remove(degree)
    kind = harmony.find("kind")
    if kind is not None:
        degrees = ",".join(printed)
        degrees = f"({degrees})" if kind.attrib.pop("parentheses-degrees", "") else degrees
        kind.set("text", kind.get("text", "") + degrees + ROOM)


_SIGNS_OF_JUMPS = {"segno", "coda", *JUMPS}


def _jumps_below(measure: ET.Element, staff: str) -> None:
    """Signs and words of jumps each by itself, and under the music, from where they are moved to
    their places."""
    for index, direction in reversed([*enumerate(measure)]):
        sound = direction.find("sound") if direction.tag == "direction" else None
        if sound is None or not sound.attrib.keys() & _SIGNS_OF_JUMPS:
            continue
        direction.set("placement", "below")
        direction.remove(sound)
        ET.SubElement(direction, "staff").text = staff
        for sign in direction.findall("direction-type")[1:]:
            direction.remove(sign)
            alone = ET.Element("direction", placement="below")
            alone.extend([sign, *direction.findall("staff")])
            measure.insert(index + 1, alone)


_ALTERS = {"-2": "𝄫", "-1": "♭", "0": "", "1": "♯", "2": "𝄪"}


def _degree(degree: ET.Element) -> str:
    """A degree as it is printed: '♭9', 'add9'."""
    kind = degree.find("degree-type")
    word = kind.get("text", "") if kind is not None else ""
    sign = _ALTERS[degree.findtext("degree-alter", "0")]
    return word + sign + degree.findtext("degree-value", "")


def _bare_first(measure: ET.Element) -> None:
    """Take the key's name and the tempo off the first bar."""
    for direction in measure.findall("direction"):
        if _is_heading(direction):
            measure.remove(direction)


def _is_heading(direction: ET.Element) -> bool:
    boxed = any(words.get("enclosure") == "rectangle" for words in direction.iter("words"))
    return boxed or next(direction.iter("metronome"), None) is not None


def _pages(measures: list[ET.Element], starts: Collection[int]) -> None:
    for index, measure in enumerate(measures):
        for old in measure.findall("print"):
            measure.remove(old)
        if index and index in starts:
            measure.insert(0, ET.Element("print", {"new-page": "yes"}))


COMING = "coming"  # the id of a bar that is not shown: it begins the key that follows
NEXT_SIGNATURE = "signature that follows"  # in sharps, negative: flats; for programs


def _go_on(root: ET.Element, part: ET.Element, starts: Collection[int]) -> None:
    """Another page with a bar that is not shown, where verovio is in want of one: it draws the
    signature that follows at the end of a system only where the music goes on with it on another,
    and music without a page break it breaks wherever it likes."""
    signature = root.findtext(f".//miscellaneous-field[@name='{NEXT_SIGNATURE}']")
    if signature is None and any(starts):
        return
    last = part.findall("measure")[-1]
    coming = ET.SubElement(part, "measure", number=last.get("number", ""), id=COMING)
    ET.SubElement(coming, "print", {"new-page": "yes"})
    if signature is not None:
        key = ET.SubElement(ET.SubElement(coming, "attributes"), "key")
        ET.SubElement(key, "fifths").text = signature
    note = ET.SubElement(coming, "note")
    ET.SubElement(note, "rest", measure="yes")
    ET.SubElement(note, "duration").text = "1"


def _encoded(measures: list[ET.Element]) -> Iterator[int]:
    """Which measures begin a system, as the file says."""
    for index, measure in enumerate(measures):
        mark = measure.find("print")
        if mark is not None and "yes" in (mark.get("new-system"), mark.get("new-page")):
            yield index


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
    "repeatMark": "sheet-jump",
    "voltaBracket": "sheet-ending",
}
_SLASH = "sheet-slash"  # it is no note: a page that hides the line goes on showing it
_SLASH_HEADS = "#E10"  # SMuFL, "Slash noteheads": U+E100 to U+E10F
_JUMP = "jump"  # words that say where to go on
_BOLD = ("reh", "tempo", "fing", _JUMP)
_STYLES = {"dir": {"font-style": "italic"}, **{kind: {"font-weight": "bold"} for kind in _BOLD}}
_NOT_SHOWN = ("mNum", "pgHead", "pgFoot", "placeholder", "grpSym", "labelAttr")
# Verovio sets these signs in the music font's private letters (SMuFL); as text they are Unicode's.
_SIGNS = str.maketrans({"\uea63": "𝄫", "\uea64": "♭", "\uea65": "♮", "\uea66": "♯", "\uea67": "𝄪",
                        "\ue264": "𝄫", "\ue260": "♭", "\ue261": "♮", "\ue262": "♯", "\ue263": "𝄪",
                        "\ueca5": "♩", "\uecb7": ".", "\ue1e7": "."})  # fmt: skip


@dataclass(frozen=True, slots=True)
class SystemPicture:
    """One system: `width` and `height` in tenths of a verovio pixel (a staff is 720 high)."""

    width: float
    height: float
    bar_ids: tuple[str, ...]
    group: ET.Element
    glyphs: dict[str, ET.Element]  # the music font's shapes by code, which `use` elements name


def restyled(svg: str, beside: Margin, *, opens: bool) -> SystemPicture:
    """Read what verovio drew; `opens` where it is the first system of a key."""
    root = ET.fromstring(svg)
    inner = root.find(f"{SVG}svg")
    assert inner is not None
    width, height = (float(number) for number in inner.attrib["viewBox"].split()[2:])
    page = next(group for group in inner.iter(f"{SVG}g") if group.get("class") == "page-margin")
    system = next(group for group in page.iter(f"{SVG}g") if group.get("class") == "system")
    group = ET.Element("g")
    group.extend([_restyled(child) for child in system if not _hidden(child)])
    chords = min(level_chords(group), lift_brackets(group))
    centre_rows(group)
    draw_circles(group)
    write_margin(group, beside, opens=opens)
    left, top = map(float, NUMBER.findall(page.get("transform", "0 0")))
    highest = min(chords, bring_marks_in(group), place_jumps(group))
    room = max(_MARGIN - top - highest, 0.0)
    height = min(height, top + lowest(group) + _MARGIN)
    group.set("transform", f"translate({left:g} {top + room:g})")
    bars = tuple(_boxed_bars(group, -top - room, height + room))
    glyphs = {
        glyph.attrib["id"].split("-")[0]: _plain(glyph[0])
        for glyph in root.iterfind(f"{SVG}defs/*")
    }
    return SystemPicture(width, height + room, bars, group, glyphs)


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


_GOES_ON = re.compile(r"\(\d.*\)")  # what verovio writes where a bracket goes on in a new system


def _hidden(element: ET.Element) -> bool:
    if element.tag == f"{SVG}text" and _GOES_ON.fullmatch("".join(element.itertext()).strip()):
        return True
    blank = element.get("class") == "harm" and not "".join(element.itertext()).strip()
    return blank or any(name in _NOT_SHOWN for name in element.get("class", "").split())


def _restyled(element: ET.Element) -> ET.Element:
    kind = element.get("class", "")
    if kind == "harm":
        return _chord(element)
    plain = _plain(element)
    if kind == "dir" and "".join(element.itertext()).strip() in JUMPS.values():
        kind = _JUMP
        plain.set("class", "sheet-jump")
    plain.attrib.update(_STYLES.get(kind, {}))
    for child in element:
        if _hidden(child):
            continue
        plain.append(_text(child) if child.tag == f"{SVG}text" else _restyled(child))
    if plain.get("class") == "sheet-ending":
        _with_point(plain)
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
        plain.set("class", _SLASH if kind == "note" and _is_slash(element) else _CLASSES[kind])
    if kind in _WITH_IDS and _OURS.fullmatch(element.get("id", "")):
        plain.set("id", element.attrib["id"])
    if "stroke-width" in plain.attrib:
        plain.set("stroke", "currentColor")
    return plain


def _is_slash(note: ET.Element) -> bool:
    shapes = (use.get("href", "") for use in note.iter(f"{SVG}use"))
    return any(shape.startswith(_SLASH_HEADS) for shape in shapes)


def _chord(element: ET.Element) -> ET.Element:
    plain = _plain(element)
    for text in element.iter(f"{SVG}text"):
        symbol = _letters(text).replace(ROOM, "").strip()
        plain.append(drawn(symbol, text.attrib["x"], text.attrib["y"]))
    return plain


def _letters(text: ET.Element) -> str:
    spans = (span for span in text.iter(f"{SVG}tspan") if "font-size" in span.attrib)
    return "".join(span.text or "" for span in spans).removesuffix(_BLANK).translate(_SIGNS)


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


def _with_point(ending: ET.Element) -> None:
    """`1, 2.`: verovio leaves out the point behind the times of an ending (common practice)."""
    for text in ending.iter("text"):
        text.text = f"{', '.join((text.text or '').strip(' .').split(','))}."
