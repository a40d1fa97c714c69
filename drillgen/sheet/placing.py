"""Words and figures round a staff: what they say, and where they stand.

Texts are put right after verovio: rows under their notes.

Degrees are each note's over its chord; the ones that a line aims at stand in circles.

A target is what an approach leads to, or a tone of the chord on which it begins.  In MusicXML it
has Unicode's circled figure, which any program shows; in our own pictures the circle is drawn.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice, product
from typing import NamedTuple
from xml.etree import ElementTree as ET

from drillgen.chart import Chart, Span
from drillgen.score import Note, Part
from drillgen.sheet.layout import pretty
from drillgen.sheet.notation import Row
from drillgen.theory.pitch import Degree, degree_over

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


# How high chord symbols and names in boxes stand over a system.
#
# All chord symbols are on one line. Verovio (6.4) now and then puts those of a bar a line higher
# than anything there needs: the best of its places is the lowest at which every symbol is clear.
# And now and then it prints one over the words that stand there.

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


def _symbols(system: ET.Element) -> list[ET.Element]:
    """The texts of the chord symbols."""
    return [text for group in of_class(system, "sheet-chord") for text in group.iter("text")]


def level_chords(system: ET.Element) -> float:
    """Set the symbols on one line: the lowest of verovio's places where none touches anything, or
    over the words that they would touch at all of them.  Returns how high they reach then, where
    verovio has left no room for that."""
    texts = _symbols(system)
    if not texts:
        return 0.0
    places = sorted({float(text.attrib["y"]) for text in texts}, reverse=True)
    spans = [extent(text)[:2] for text in texts]
    ink = list(_under(system, "sheet-chord", "sheet-mark"))
    clear = (y for y in places if len(places) > 1 and _is_clear(spans, y, ink))
    level = next(clear, _over_words(system, spans, places[-1]))
    for text in texts:
        text.set("y", f"{level:g}")
    return min(extent(text)[2] for text in texts) if level < places[-1] else 0.0


def _over_words(system: ET.Element, spans: Sequence[tuple[float, float]], y: float) -> float:
    """The lowest place from `y` up where no symbol touches words."""
    words = (each for group in of_class(system, "sheet-words") for each in _under(group))
    for left, right, top in sorted(words, key=lambda each: -each.top):
        if top < y and any(left < end and begin < right for begin, end in spans):
            y = top - _CLEAR
    return y


def _is_clear(spans: Sequence[tuple[float, float]], y: float, ink: Sequence[_Ink]) -> bool:
    high = [each for each in ink if each.top < y + _CLEAR]
    return not any(
        each.left < right and left < each.right for each in high for left, right in spans
    )


def lift_brackets(system: ET.Element) -> float:
    """Verovio prints the number of an ending on the line of the chord symbols, and now and then
    into one: then all brackets of the system stand higher.  Returns how high they reach then."""
    chords = list(map(extent, _symbols(system)))
    brackets = of_class(system, "sheet-ending")
    up = 0.0
    for number in (text for bracket in brackets for text in bracket.iter("text")):
        left, right, _ = extent(number)
        beside = [top for begin, end, top in chords if begin < right + _CLEAR and left < end]
        up = max(up, *(float(number.attrib["y"]) + _CLEAR - top for top in beside), 0.0)
    for element in (each for bracket in brackets for each in bracket):
        if element.tag == "text":
            element.set("y", f"{float(element.attrib['y']) - up:g}")
        else:
            places = list(map(float, NUMBER.findall(element.attrib["d"])))
            ends = zip(places[::2], places[1::2], strict=True)
            element.set("d", "M" + " L".join(f"{x:g} {y - up:g}" for x, y in ends))
    tops = (ink.top for bracket in brackets for ink in _under(bracket))
    return min(tops, default=0.0) if up else 0.0


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


# Signs and words of jumps.
#
# A sign stands over the name of its section, or at the beginning of the system in its place; words
# at the end of their bar on the line of the chord symbols, or over them; the sign of a coda behind
# the words that lead to it (common practice).

_CODA_SIGN = "E048"
# Of the signs, Bravura's: left, right, down and up in thousandths of verovio's size of 720.
_SIGN_SCALE, _BESIDE_WORDS = 0.62, 0.42
_SIGNS = {"E047": (0.0, 545.0, 27.0, 750.0), _CODA_SIGN: (-4.0, 955.0, 158.0, 898.0)}
_WORDS_SIZE, _BOLD_LETTER = 405, 0.56  # of a letter; its width as a share of that


def place_jumps(system: ET.Element) -> float:
    """Move what verovio was told to draw under the music; how high it reaches then."""
    line = min([float(text.attrib["y"]) for text in _symbols(system)], default=-_CLEAR)
    reaches = [0.0]
    for bar in of_class(system, "sheet-bar"):
        jumps = of_class(bar, "sheet-jump")
        words = [text for jump in jumps for text in jump.iter("text")]
        signs = [use for jump in jumps for use in jump.iter("use")]
        for text in words:
            leads = signs if (text.text or "").endswith("To\u00a0Coda") else []
            sign = next((use for use in leads if code_of(use) == _CODA_SIGN), None)
            reaches.append(_place_words(system, text, sign, line))
            signs = [use for use in signs if use is not sign]
        reaches += [_place_sign(system, bar, use) for use in signs]
    return min(reaches)


def _place_words(
    system: ET.Element, text: ET.Element, sign: ET.Element | None, line: float
) -> float:
    right = end = float(text.attrib["x"])
    if sign is not None:
        end -= _SIGNS[_CODA_SIGN][1] * _BESIDE_WORDS + _GAP
    left = end - len(text.text or "") * _WORDS_SIZE * _BOLD_LETTER
    y = min(line, _top_under(system, left, right) - 2 * _CLEAR)
    text.attrib.update({"x": f"{end:g}", "y": f"{y:g}", "font-size": str(_WORDS_SIZE)})
    if sign is not None:
        down = _SIGNS[_CODA_SIGN][2] * _BESIDE_WORDS
        _move(sign, end + _GAP, y + down / 2, _BESIDE_WORDS)
    return y - _WORDS_SIZE


def _place_sign(system: ET.Element, bar: ET.Element, use: ET.Element) -> float:
    left, right, down, up = (each * _SIGN_SCALE for each in _SIGNS[code_of(use)])
    boxes = [float(box.attrib["x"]) for mark in of_class(bar, "sheet-mark") for box in mark[:1]]
    x = min(boxes, default=float(NUMBER.findall(next(bar.iter("path")).attrib["d"])[0]))
    y = _top_under(system, x, x + right - left) - _CLEAR - down
    _move(use, x - left, y, _SIGN_SCALE)
    return y - up


def _top_under(system: ET.Element, left: float, right: float) -> float:
    """The top of all that stands between two places."""
    ink = _under(system, "sheet-jump")
    return min([each.top for each in ink if each.left < right and left < each.right], default=0.0)


def _move(use: ET.Element, x: float, y: float, scale: float) -> None:
    use.set("transform", f"translate({x:g}, {y:g}) scale({scale:g}, {scale:g})")


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


# What stands in the margin of a system: the number of its first bar, and what its rows are.
#
# A number stands over the clef, where other programs put it too (common practice). The names of two
# fingerings stand before their rows in a key's first system: clef, signature and meter leave room.

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
    bars[0].append(_texts("sheet-number", number, _top(bars[0]) - _GAP))
    if opens:
        named = _names(system, beside.rows)
        bars[0].extend([_texts("sheet-name", word, y, x=_GAP) for word, y in named])


def _texts(kind: str, words: str, y: float, x: int = 0) -> ET.Element:
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


_APPROACH = "approach"
_FIGURES = {str(number): chr(0x245F + number) for number in range(1, 14)}  # 1 is U+2460
_PLAIN = {ord(circled): number for number, circled in _FIGURES.items()}
_CIRCLED = "".join(_FIGURES.values())
_DEGREES = re.compile(rf"[b#]*(\d+|[{_CIRCLED}])( [b#]*\d+)*")
_SHOWN = re.compile(rf"{_DEGREES.pattern}|-?[mMPAd]\d+")  # or an interval's name
_RADIUS = 0.52  # of a circle, in sizes of the text; as much more for each further figure in it
_WIDER = 0.18
_RAISED = 0.33  # … its middle over the text's line


def degrees(notes: Sequence[Note]) -> Row:
    """Each note's degree or interval, where its mark is one."""
    marked = {note: pretty(note.mark) for note in notes if _SHOWN.fullmatch(note.mark)}
    return Row("degree", marked)


def annotated(chart: Chart, line: Part) -> Part:
    """The line at concert pitch with a degree for every note's mark, but for approaches: its own,
    else the one over its chord; targets circled."""
    notes: list[Note] = []
    before = ""
    kind = chart.drill.line
    of_chords = kind is not None and (kind.of_chords or kind.is_bass)
    for note in line.notes:
        span = _span(chart, note)
        mark = _degree(note, span, of_chords=of_chords)
        if mark and (before == _APPROACH or _begins_on_a_tone(note, span)):
            mark = circled(mark)
        notes.append(replace(note, mark=mark))
        before = note.mark
    return replace(line, notes=tuple(notes))


def circled(degree: str) -> str:
    """'b3' with its figure in a circle."""
    figure = degree.lstrip("b#")
    return degree.removesuffix(figure) + _FIGURES.get(figure, figure)


def draw_circles(group: ET.Element) -> None:
    """Round each circled figure under the staff, which the sheet's font does not have."""
    for parent in list(group.iter("g")):
        for text in parent.findall("text"):
            words = text.text or ""
            if any(ord(letter) in _PLAIN for letter in words):
                text.text = words.translate(_PLAIN)
                parent.append(_circle(text))


def _circle(text: ET.Element) -> ET.Element:
    size = float(text.attrib["font-size"])
    attributes = {
        "cx": text.attrib["x"],
        "cy": f"{float(text.attrib['y']) - _RAISED * size:g}",
        "r": f"{(_RADIUS + _WIDER * (len(text.text or '1') - 1)) * size:g}",
        "fill": "none",
        "stroke": "currentColor",
        "stroke-width": f"{size / 20:g}",
    }
    return ET.Element("circle", attributes)


def _span(chart: Chart, note: Note) -> Span | None:
    return chart.bar_at(note.start).span_at(note.start)


def _degree(note: Note, span: Span | None, *, of_chords: bool) -> str:
    """Its own where it has one that says what it is: the bass of C/E is marked as 1, and is a 3."""
    over = degree_over(span.chord.root, note.pitch.name) if span and span.chord else None
    if note.mark == _APPROACH:
        return ""
    if _DEGREES.fullmatch(note.mark) and (over is None or not of_chords):
        return note.mark
    if over is None:
        return ""
    own = Degree.parse(note.mark) if _DEGREES.fullmatch(note.mark) else over
    return str(own if (own.semitones - over.semitones) % 12 == 0 else over)


def _begins_on_a_tone(note: Note, span: Span | None) -> bool:
    """Whether a note stands where its chord begins, and is a tone of it."""
    if span is None or span.chord is None or note.start != span.start:
        return False
    return note.pitch.name.pitch_class in {name.pitch_class for name in span.chord.names}
