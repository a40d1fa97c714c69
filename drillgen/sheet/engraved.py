"""Music in systems: MusicXML in, a picture of each system out, all in one size.  Imports verovio.

A staff is 7.2 mm high on a page 180 mm wide between its margins; where a system needs more room
than that, the whole sheet is made smaller by as much, and where that would make it too small to
read from a stand, systems get half as many bars.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from drillgen.errors import DrillgenError
from drillgen.sheet.margin import Margin, margin
from drillgen.sheet.prepared import BARS_A_SYSTEM, prepared
from drillgen.sheet.restyle import Picture, restyled

if TYPE_CHECKING:
    import verovio

WIDTH = 1800  # of a system, in verovio's pixels: tenths of a millimetre, so that a staff is 7.2 mm
WIDEST = 2500  # shrunk to the page, a staff is then 5.2 mm: the smallest that reads on a stand
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
    "svgViewBox": True,
    "xmlIdSeed": 1,
}
_NATURAL = {"adjustPageWidth": True, "noJustification": True, "pageWidth": _LOOSE}
_LOW_CHORD = re.compile(r'(<harm [^>]*\bstaff=")2')
_VIEW = re.compile(r'viewBox="0 0 (\d+) (\d+)"')


class SheetError(DrillgenError):
    """A sheet cannot be engraved on this machine."""


@dataclass(frozen=True, slots=True)
class Engraved:
    """The systems of some pieces of music, all drawn to one size."""

    width: float  # of a full system, in tenths of a verovio pixel
    pieces: tuple[tuple[Picture, ...], ...]  # the systems of each piece


@lru_cache(maxsize=2)  # the same music is asked for as strips, as one picture and as PDF
def engraved(pieces: tuple[str, ...], bars_a_system: int | None) -> Engraved:
    """Engrave some MusicXML texts.  Raises SheetError where verovio is missing or refuses one."""
    toolkit = _toolkit()
    texts = [_with_chords_on_top(toolkit, prepared(piece, bars_a_system)) for piece in pieces]
    natural = [_natural(toolkit, text) for text in texts]
    width = max([WIDTH, *(width for widths in natural for width in widths)])
    size = bars_a_system or BARS_A_SYSTEM
    if width > WIDEST and size > 1:
        return engraved(pieces, size // 2)
    return Engraved(
        width * 10,
        tuple(
            tuple(_pictures(toolkit, text, margin(piece), widths, width, size))
            for piece, text, widths in zip(pieces, texts, natural, strict=True)
        ),
    )


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
    return range(1, toolkit.getPageCount() + 1)


def _with_chords_on_top(toolkit: verovio.toolkit, text: str) -> str:
    """Chord symbols over the notes where tablature stands below: verovio puts those of slashed bars
    over the tablature, whatever `<staff>` says, so that it is told in its own format (MEI)."""
    if "<staves>" not in text:
        return text
    _load(toolkit, text)
    return _LOW_CHORD.sub(r"\g<1>1", toolkit.getMEI({}))


def _natural(toolkit: verovio.toolkit, text: str) -> list[int]:
    """How wide each system is before it is stretched to the page."""
    pages = _load(toolkit, text, **_NATURAL)
    found = (_VIEW.search(toolkit.renderToSVG(page)) for page in pages)
    return [int(view[1]) for view in found if view]


def _pictures(
    toolkit: verovio.toolkit,
    text: str,
    beside: Margin,
    natural: Sequence[int],
    width: int,
    size: int,
) -> Iterator[Picture]:
    """Each system as wide as the page; one with fewer bars in proportion."""
    pages = _load(toolkit, text, adjustPageWidth=False, noJustification=False, pageWidth=width)
    for page, least in zip(pages, natural, strict=True):
        picture = restyled(toolkit.renderToSVG(page), beside, opens=page == pages[0])
        if len(picture.bar_ids) >= size:
            yield picture
        else:
            share = max(width * len(picture.bar_ids) // size, least)
            _redo(toolkit, min(share, width))
            yield restyled(toolkit.renderToSVG(page), beside, opens=page == pages[0])
            _redo(toolkit, width)


def _redo(toolkit: verovio.toolkit, width: int) -> None:
    toolkit.setOptions({"pageWidth": width})
    toolkit.redoLayout()
