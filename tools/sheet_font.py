"""Make the font of the sheets: `python tools/sheet_font.py SERIF_FOLDER` (fonttools, brotli).

Letters are Liberation Serif's, whose widths are those that verovio spaces text by; flats, sharps
and notes are Bravura's, as verovio carries them.  Both are under the SIL Open Font License, which
lets a derived font go by a name of its own only.  The files in `drillgen/sheet/typeset/` were made
from Debian's `fonts-liberation2` 2.1.5 and verovio 6.4.1.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from pathlib import Path

import verovio
from fontTools.misc.transform import Transform
from fontTools.pens.cu2quPen import Cu2QuPen
from fontTools.pens.recordingPen import RecordingPen
from fontTools.pens.transformPen import TransformPen
from fontTools.pens.ttGlyphPen import TTGlyphPen
from fontTools.subset import Options, Subsetter
from fontTools.svgLib.path import parse_path
from fontTools.ttLib import TTFont
from fontTools.ttLib.tables._c_m_a_p import CmapSubtable

FAMILY = "Drillgen Sheet"
BRAVURA = "Copyright (c) 2019, Steinberg Media Technologies GmbH (http://www.steinberg.net/)."
TARGET = Path(__file__).parent.parent / "drillgen" / "sheet" / "typeset"
STYLES = ("Regular", "Bold", "Italic")
# Latin, its accented letters, and the punctuation that teachers write.
LETTERS = [*range(0x20, 0x7F), *range(0xA0, 0x180), *map(ord, "–—‘’‚“”„†•…‹›€™−×")]


@dataclass(frozen=True, slots=True)
class Sign:
    """A music sign: SMuFL's code, its scale, and how far it is raised, in thousandths of an em."""

    code: str
    scale: float
    raised: int


SIGNS = {
    0x266D: Sign("E260", 1.3, 215),  # flat: a little higher than a capital
    0x266E: Sign("E261", 1.1, 330),
    0x266F: Sign("E262", 1.1, 330),
    0x1D12A: Sign("E263", 1.1, 300),  # double sharp
    0x1D12B: Sign("E264", 1.3, 215),
    0x2669: Sign("E1D5", 0.75, 110),  # a quarter note, for the metronome mark
}


def main(folder: Path) -> None:
    """Write each style for typst (TTF) and for browsers (WOFF2)."""
    for style in STYLES:
        font = made(folder / f"LiberationSerif-{style}.ttf", style)
        name = FAMILY.replace(" ", "")
        font.save(TARGET / f"{name}-{style}.ttf")
        small = TTFont(TARGET / f"{name}-{style}.ttf")
        _subset(small, [*range(0x20, 0x7F), 0xB0, 0xF8, *SIGNS])
        small.flavor = "woff2"
        small.save(TARGET / f"{name}-{style}.woff2")


def made(path: Path, style: str) -> TTFont:
    """The letters of one style, with the music signs added."""
    font = TTFont(path, recalcTimestamp=False)
    if "FFTM" in font:
        del font["FFTM"]  # an editor's time stamp
    _subset(font, LETTERS)
    _with_high_codes(font)
    for code, sign in SIGNS.items():
        _add(font, code, sign)
    _rename(font, style)
    return font


def _subset(font: TTFont, codes: list[int]) -> None:
    """Keep some characters.  No kerning: verovio knows none."""
    options = Options(hinting=False, layout_features=[], name_IDs=["*"], recalc_timestamp=False)
    subsetter = Subsetter(options)
    subsetter.populate(unicodes=codes)
    subsetter.subset(font)


def _add(font: TTFont, code: int, sign: Sign) -> None:
    em = font["head"].unitsPerEm / 1000
    folder = Path(verovio.__file__).parent / "data"
    outline = re.search(r' d="([^"]+)"', (folder / "Bravura" / f"{sign.code}.xml").read_text())
    about = re.search(
        rf'<g c="{sign.code}"[^>]*h-a-x="(\d+)"', (folder / "Bravura.xml").read_text()
    )
    assert outline and about
    drawn = RecordingPen()
    parse_path(outline[1], drawn)
    pen = TTGlyphPen(None)
    placed = Transform(em * sign.scale, 0, 0, em * sign.scale, em * 25, em * sign.raised)
    drawn.replay(TransformPen(Cu2QuPen(pen, max_err=1.0, reverse_direction=True), placed))
    name = f"u{code:04X}"
    font.setGlyphOrder([*font.getGlyphOrder(), name])
    font["glyf"][name] = pen.glyph()
    font["glyf"][name].recalcBounds(font["glyf"])
    width = round(em * (int(about[1]) * sign.scale + 50))
    font["hmtx"][name] = (width, font["glyf"][name].xMin)
    for table in font["cmap"].tables:
        if table.isUnicode() and (code < 0x10000 or table.format == 12):
            table.cmap[code] = name


def _with_high_codes(font: TTFont) -> None:
    """Double sharps and flats lie beyond U+FFFF, where only a table of format 12 reaches."""
    high = CmapSubtable.newSubtable(12)
    high.platformID, high.platEncID, high.language = 3, 10, 0
    high.cmap = dict(font.getBestCmap())
    font["cmap"].tables.append(high)


def _rename(font: TTFont, style: str) -> None:
    names = font["name"]
    letters = names.getDebugName(0)
    names.setName(f"{letters}\nMusic signs: {BRAVURA}", 0, 3, 1, 0x409)
    plain = FAMILY.replace(" ", "")
    for number, text in (
        (1, FAMILY), (2, style), (3, f"{plain}-{style}"), (4, f"{FAMILY} {style}"),
        (6, f"{plain}-{style}"),
    ):  # fmt: skip
        names.setName(text, number, 3, 1, 0x409)
        names.setName(text, number, 1, 0, 0)
    for number in (7, 10, 16, 17, 18, 21, 22):
        names.removeNames(nameID=number)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
