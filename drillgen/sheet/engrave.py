"""Sheets as SVG: a strip a key for the page, and the whole sheet in one picture.

A strip holds a key's systems one under another and needs nothing from outside: the music is
shapes, the letters' font is embedded.  It takes its colour from the page (`currentColor`).  Bars
are groups with the ids of the MusicXML (`b12`) and the class `sheet-bar`; in each lies a
`rect.sheet-box` over the whole bar, which a page may fill.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Protocol

from drillgen.sheet.drawing import Drawing, Words, svg_text
from drillgen.sheet.engraved import SheetError, engraved
from drillgen.sheet.restyle import Picture

_BETWEEN_SYSTEMS = 260  # tenths of a verovio pixel
_BETWEEN_KEYS = 420
_TITLE_SIZE, _LABEL_SIZE = 760, 500


class Music(Protocol):
    """One key of a drill: `drillgen.sheet.sheets.Section`, seen from here."""

    @property
    def label(self) -> str: ...
    @property
    def musicxml(self) -> str: ...
    @property
    def first_bar(self) -> int: ...
    @property
    def last_bar(self) -> int: ...
    @property
    def bar_ids(self) -> tuple[str, ...]: ...


@dataclass(frozen=True, slots=True)
class Strip:
    """One key as SVG."""

    key_label: str  # "G♭ major"
    first_bar: int  # index in the chart's bars
    last_bar: int
    svg: str
    bar_ids: tuple[str, ...]


def strips(
    sections: Sequence[Music],
    *,
    bars_a_system: int | None = None,
    fonts: bool = True,
) -> tuple[Strip, ...]:
    """A strip for each key, all in one size.

    `bars_a_system` is for narrow pages; by default the MusicXML says.  With `fonts=False` the page
    brings the font itself (`drillgen.sheet.drawing.font_faces`).  Raises SheetError.
    """
    music = engraved(tuple(section.musicxml for section in sections), bars_a_system)
    return tuple(
        _strip(section, systems, music.width, fonts)
        for section, systems in zip(sections, music.pieces, strict=True)
    )


def _strip(section: Music, systems: Sequence[Picture], width: float, fonts: bool) -> Strip:
    drawing = Drawing(width)
    for index, system in enumerate(systems):
        drawing.picture(system, _BETWEEN_SYSTEMS if index else 0)
    # Shapes are named after the music, so that strips of one page do not share their names.
    scope = f"m{sha256(section.musicxml.encode()).hexdigest()[:8]}-"
    svg = svg_text(drawing, label=section.label, scope=scope, fonts=fonts)
    bars = complete(section, systems)
    return Strip(section.label, section.first_bar, section.last_bar, svg, bars)


def complete(section: Music, systems: Sequence[Picture]) -> tuple[str, ...]:
    """The ids of the bars that were drawn.  Raises SheetError where one is missing."""
    drawn = tuple(bar for system in systems for bar in system.bar_ids)
    missing = [bar for bar in section.bar_ids if bar not in drawn]
    if missing:
        raise SheetError(f"verovio left out bars of {section.label}: {', '.join(missing)}")
    return drawn


def whole_svg(title: str, sections: Sequence[Music]) -> str:
    """All keys of a sheet, one under another, with the title.  Raises SheetError."""
    music = engraved(tuple(section.musicxml for section in sections), None)
    drawing = Drawing(music.width)
    drawing.words(Words(title, _TITLE_SIZE, bold=True, middle=True))
    for section, systems in zip(sections, music.pieces, strict=True):
        complete(section, systems)
        drawing.words(Words(section.label, _LABEL_SIZE, bold=True, boxed=True), _BETWEEN_KEYS)
        for system in systems:
            drawing.picture(system, _BETWEEN_SYSTEMS)
    return svg_text(drawing, label=title, scope="", fonts=True)
