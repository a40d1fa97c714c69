"""Engraved systems as pictures: verovio draws them, and they are put together as SVG."""

from __future__ import annotations

import base64
import copy
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from xml.etree import ElementTree as ET

from drillgen.errors import DrillgenError
from drillgen.sheet.placing import Margin, margin
from drillgen.sheet.restyle import (
    BARS_A_SYSTEM,
    COMING,
    SystemPicture,
    prepared,
    restyled,
    system_starts,
)

if TYPE_CHECKING:
    import verovio

    from drillgen.sheet.sheets import Section


# Putting systems and words together into one SVG, with the font that its text is set in.

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

    def picture(self, picture: SystemPicture, gap: float = 0.0) -> None:
        """Add a system."""
        group = ET.Element("g", {"transform": f"translate(0 {self.height + gap:g})"})
        group.append(picture.group)
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
    """A copy that uses the shapes' scoped names; where there is no scope, the element itself."""
    if not scope:
        return element
    element = copy.deepcopy(element)
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


# Music in systems: MusicXML in, a picture of each system out, all in one size. Imports verovio.
#
# A staff is 7 mm high on every page, 180 mm wide between its margins; where a system needs more
# room than that, it is parted in two.  (A single bar that does makes its whole sheet smaller.)

WIDTH = 1838  # of a system, in verovio's pixels, of which a staff has 72: 7 mm of 180
WIDEST = WIDTH
_EDGE = 20  # what verovio (6.4) now and then takes more than it drew, and parts a system by itself
# How it spaces notes: as loosely as a key's systems allow.  At the tightest a quarter note still
# takes 5 mm.
_SPACINGS = (0.25, 0.2, 0.15)
# A phone's page shows 330 of its 360 pixels of music, in which a staff of 24 pixels reads at arm's
# length: there a system is so much narrower.
NARROW_WIDTH, NARROW_WIDEST = 880, 950
_LOOSE = 6000  # wider than any system
_OPTIONS: dict[str, Any] = {
    "adjustPageHeight": True,
    "breaks": "encoded",
    "font": "Bravura",
    "footer": "none",
    "header": "none",
    "minLastJustification": 0.0,
    "pageMarginBottom": 6,
    "pageMarginLeft": 10,
    "pageMarginRight": 10,
    "pageMarginTop": 11,
    "smuflTextFont": "none",
    "spacingStaff": 8,
    "svgRemoveXlink": True,
    "tieMinLength": 3.0,  # half spaces of a staff: a tie from an upbeat is seen at a glance
    "svgViewBox": True,
    "xmlIdSeed": 1,
}
_NATURAL = {"adjustPageWidth": True, "noJustification": True, "pageWidth": _LOOSE}
_LOW_CHORD = re.compile(r'(<harm [^>]*\bstaff=")2')
_MEASURE = ' class="measure"'
_VIEW = re.compile(r'viewBox="0 0 (\d+) (\d+)"')


class SheetError(DrillgenError):
    """A sheet cannot be engraved on this machine."""


@dataclass(frozen=True, slots=True)
class Engraved:
    """The systems of some pieces of music, all drawn to one size."""

    width: float  # of a full system, in tenths of a verovio pixel
    pieces: tuple[tuple[SystemPicture, ...], ...]  # the systems of each piece


@lru_cache(maxsize=2)  # the same music is asked for as strips, as one picture and as PDF
def engraved(
    pieces: tuple[str, ...],
    bars_a_system: int | None,
    *,
    narrow: bool = False,
    shared: frozenset[str] = frozenset(),
) -> Engraved:
    """Engrave some MusicXML texts.  `narrow`: for a phone's page.  `shared`: ids of bars that begin
    a system only where they find no room on the one before.

    Raises SheetError where verovio is missing or refuses one.
    """
    least, most = (NARROW_WIDTH, NARROW_WIDEST) if narrow else (WIDTH, WIDEST)
    toolkit = _toolkit()
    fitted = []
    for piece in pieces:
        found = _fitted(toolkit, piece, bars_a_system, shared, most)
        if found is None:  # the keys of a sheet are laid out alike
            return engraved(pieces, bars_a_system, narrow=narrow)
        fitted.append(found)
    natural = [system.width for piece in fitted for system in piece.systems]
    width, size = max([least, *natural]), bars_a_system or BARS_A_SYSTEM
    return Engraved(
        width * 10,
        tuple(
            tuple(_pictures(toolkit, each, margin(piece), width, size))
            for piece, each in zip(pieces, fitted, strict=True)
        ),
    )


class _System(NamedTuple):
    """A system before it is stretched to the page."""

    width: int
    bars: int
    parted: bool  # it is half of one that was too wide


class _Fitted(NamedTuple):
    """A piece as verovio is given it, and its systems."""

    text: str
    systems: tuple[_System, ...]
    spacing: float


def _fitted(
    toolkit: verovio.toolkit,
    piece: str,
    bars_a_system: int | None,
    shared: frozenset[str],
    most: int,
) -> _Fitted | None:
    """The piece in systems that find room on the page: too wide ones are parted.  None where one of
    them is one only because bars share it."""
    starts = system_starts(piece, bars_a_system)
    may_begin = {index for index, identity in starts.items() if identity in shared}
    begin, parted = set(starts) - may_begin, set[int]()
    while True:
        text = _with_chords_on_top(toolkit, prepared(piece, begin))
        for spacing in _SPACINGS:
            natural = zip(sorted(begin), _natural(toolkit, text, spacing), strict=True)
            systems = {start: _System(*each, start in parted) for start, each in natural}
            wide = {
                start: start + system.bars
                for start, system in systems.items()
                if system.bars > 1 and system.width > most - _EDGE
            }
            if not wide:
                return _Fitted(text, tuple(systems.values()), spacing)
        for start, end in wide.items():
            if any(start < index < end for index in may_begin):
                return None
            half = start + (end - start + 1) // 2
            begin.add(half)
            parted |= {start, half}


def _toolkit() -> verovio.toolkit:
    try:
        import verovio
    except ImportError as error:
        raise SheetError(
            "sheets need the library verovio: pip install verovio (or build with --no-sheets)"
        ) from error
    verovio.enableLog(verovio.LOG_OFF)
    toolkit = verovio.toolkit()
    toolkit.setOptions(_OPTIONS)
    return toolkit


def _load(toolkit: verovio.toolkit, text: str, **options: object) -> range:
    """Lay a piece out; the numbers of its pages, which are its systems."""
    toolkit.setOptions(options)
    if not toolkit.loadData(text):
        raise SheetError("verovio cannot read the MusicXML of this sheet")
    return range(1, toolkit.getPageCount() + (0 if f'id="{COMING}"' in text else 1))


def _with_chords_on_top(toolkit: verovio.toolkit, text: str) -> str:
    """Chord symbols over the notes where tablature stands below: verovio puts those of slashed bars
    over the tablature, whatever `<staff>` says, so that it is told in its own format (MEI)."""
    if "<staves>" not in text:
        return text
    _load(toolkit, text)
    return _LOW_CHORD.sub(r"\g<1>1", toolkit.getMEI({}))


def _natural(toolkit: verovio.toolkit, text: str, spacing: float) -> list[tuple[int, int]]:
    """The width of each system and how many bars it has."""
    pages = _load(toolkit, text, **_NATURAL, spacingLinear=spacing)
    drawn = [toolkit.renderToSVG(page) for page in pages]
    views = [(_VIEW.search(svg), svg.count(_MEASURE)) for svg in drawn]
    return [(int(view[1]), bars) for view, bars in views if view]


def _pictures(
    toolkit: verovio.toolkit, piece: _Fitted, beside: Margin, width: int, size: int
) -> Iterator[SystemPicture]:
    """Each system as wide as the page; one with fewer bars in proportion."""
    options = {"adjustPageWidth": False, "noJustification": False, "pageWidth": width}
    pages = _load(toolkit, piece.text, **options, spacingLinear=piece.spacing)
    for page, system in zip(pages, piece.systems, strict=True):
        short = system.bars < size and not system.parted
        if short:
            _redo(toolkit, min(max(width * system.bars // size, system.width), width))
        yield restyled(toolkit.renderToSVG(page), beside, opens=page == pages[0])
        if short:
            _redo(toolkit, width)


def _redo(toolkit: verovio.toolkit, width: int) -> None:
    toolkit.setOptions({"pageWidth": width})
    toolkit.redoLayout()


# Sheets as SVG: a strip a key for the page, and the whole sheet in one picture.
#
# A strip holds a key's systems one under another and needs nothing from outside: the music is
# shapes, the letters' font is embedded. It takes its colour from the page (`currentColor`). Bars
# are groups with the ids of the MusicXML (`b12`) and the class `sheet-bar`; in each lies a
# `rect.sheet-box` over the whole bar, which a page may fill.

_BETWEEN_SYSTEMS = 260  # tenths of a verovio pixel
_BETWEEN_KEYS = 420
_TITLE_SIZE, _LABEL_SIZE = 760, 500


def strips(
    sections: Sequence[Section],
    *,
    bars_a_system: int | None = None,
    fonts: bool = True,
    narrow: bool = False,
) -> tuple[str, ...]:
    """A strip for each key as SVG, all in one size.

    `bars_a_system`: by default the MusicXML says.  `narrow`: for a phone's page, with fewer bars
    where they need it.  With `fonts=False` the page brings the font itself (`font_faces`).  Raises
    SheetError.
    """
    texts = tuple(section.musicxml for section in sections)
    music = engraved(texts, bars_a_system, narrow=narrow)
    return tuple(
        _strip(section, systems, music.width, fonts)
        for section, systems in zip(sections, music.pieces, strict=True)
    )


def _strip(section: Section, systems: Sequence[SystemPicture], width: float, fonts: bool) -> str:
    drawing = Drawing(width)
    for index, system in enumerate(systems):
        drawing.picture(system, _BETWEEN_SYSTEMS if index else 0)
    # Shapes are named after the music, so that strips of one page do not share their names.
    scope = f"m{sha256(section.musicxml.encode()).hexdigest()[:8]}-"
    complete(section, systems)
    return svg_text(drawing, label=section.label, scope=scope, fonts=fonts)


def complete(section: Section, systems: Sequence[SystemPicture]) -> None:
    """Raises SheetError where a bar was not drawn."""
    drawn = {bar for system in systems for bar in system.bar_ids}
    missing = [bar for bar in section.bar_ids if bar not in drawn]
    if missing:
        raise SheetError(f"verovio left out bars of {section.label}: {', '.join(missing)}")


def on_paper(sections: Sequence[Section]) -> Engraved:
    """The keys of a sheet as they are printed.  Raises SheetError."""
    shared = frozenset(bar for section in sections for bar in section.shares)
    return engraved(tuple(section.musicxml for section in sections), None, shared=shared)


def whole_svg(title: str, sections: Sequence[Section]) -> str:
    """All keys of a sheet, one under another, with the title.  Raises SheetError."""
    music = on_paper(sections)
    drawing = Drawing(music.width)
    drawing.words(Words(title, _TITLE_SIZE, bold=True, middle=True))
    for section, systems in zip(sections, music.pieces, strict=True):
        complete(section, systems)
        drawing.words(Words(section.label, _LABEL_SIZE, bold=True, boxed=True), _BETWEEN_KEYS)
        for system in systems:
            drawing.picture(system, _BETWEEN_SYSTEMS)
    return svg_text(drawing, label=title, scope="", fonts=True)
