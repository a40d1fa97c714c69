"""PDF for the stand, and whether every letter is in it.

Set by typst from the engraved systems.  Imports verovio and typst.

Each system is a picture that no page break can cut; its text stays text.  A key stays with its
heading, and on one page unless it is long.  The same input gives the same bytes: the file carries
no date.

What no font on the machine has, typst sets as an empty box and says nothing.

In a font that is addressed by its glyphs (ISO 32000-2, 9.7.5.2: Identity-H, two bytes a glyph),
glyph 0 is the one for letters that the font lacks (9.7.6.3; OpenType calls it .notdef).
"""

from __future__ import annotations

import json
import re
import unicodedata
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from drillgen.sheet.layout import BETWEEN_FACTS
from drillgen.sheet.restyle import SystemPicture
from drillgen.sheet.svg import (
    FONTS,
    Drawing,
    Engraved,
    SheetError,
    complete,
    on_paper,
    svg_text,
)

if TYPE_CHECKING:
    from drillgen.sheet.sheets import Section, Sheet

Paper = Literal["a4", "us-letter"]
# Scripts that the fonts brought along have; other letters are looked for on the machine.
_LATIN = 0x24F  # the last letter of Latin Extended-B
_NO_BREAK = "\u00a0"
_KNOWN = ("LATIN", "GREEK", "CYRILLIC")


@dataclass(frozen=True, slots=True)
class Booklet:
    """What stands before the sheets of a lesson."""

    title: str
    lines: tuple[str, ...] = ()  # under the title, on the title page
    contents: str = "Contents"


def pdf(sheet: Sheet, paper: Paper = "a4") -> bytes:
    """A drill's sheet as PDF.  Raises SheetError where verovio or typst is missing."""
    return _typeset(_document(sheet.title, [sheet], paper))


def booklet(
    cover: Booklet,
    sheets: Sequence[Sheet],
    answers: Sequence[Sheet] = (),
    paper: Paper = "a4",
) -> bytes:
    """A lesson's sheets as one PDF: title page, contents, one drill after another, and the answers
    from a page of their own.

    Raises SheetError where verovio or typst is missing.
    """
    about = {"booklet": True, "lines": cover.lines, "contents": cover.contents}
    about |= {"answers": len(sheets)}
    return _typeset(_document(cover.title, [*sheets, *answers], paper) | about)


def register(
    title: str, head: Sequence[str], parts: Sequence[Mapping[str, Any]], paper: Paper = "a4"
) -> bytes:
    """What packs hold as PDF: for each part its `name` ("" where there is one alone), `rows` under
    the `head`, each a text a cell, and a `total` below them.  Raises SheetError where typst is
    missing."""
    about = {"title": title, "paper": paper, "head": list(head), "parts": list(parts)}
    return _typeset(about, "register.typ")


def _typeset(document: Mapping[str, Any], how: str = "sheet.typ") -> bytes:
    """Have typst set a document as a file of `typeset/` says."""
    try:
        import typst
    except ImportError as error:
        raise SheetError(
            "PDF sheets need the library typst: pip install typst (or build with --no-sheets)"
        ) from error
    text = json.dumps(document, ensure_ascii=False)
    try:
        return typst.compile(
            FONTS / how,
            sys_inputs={"sheets": text},
            font_paths=[FONTS],
            ignore_system_fonts=_set_in_known_scripts(text),
            format="pdf",
        )
    except typst.TypstError as error:
        raise SheetError(f"typst cannot set the sheet {document['title']}: {error}") from error


def _document(title: str, sheets: Sequence[Sheet], paper: Paper) -> dict[str, Any]:
    return {
        "title": title,
        "paper": paper,
        "booklet": False,
        "answers": 0,  # the number of the first sheet that nobody sees beside those before it
        "sheets": [_sheet(sheet) for sheet in sheets],
    }


def _sheet(sheet: Sheet) -> dict[str, Any]:
    music = on_paper(sheet.sections)
    return {
        "title": sheet.title,
        "facts": _unbroken(sheet.facts),
        "tempo": sheet.tempo,
        "note": sheet.note,
        "reader": sheet.reader,
        "footer": f"{sheet.title} · seed {sheet.seed}",
        "sections": list(_sections(sheet.sections, music)),
    }


def _unbroken(facts: str) -> str:
    """Facts that a line ends between, never within."""
    return f"{_NO_BREAK}· ".join(
        fact.replace(" ", _NO_BREAK) for fact in facts.split(BETWEEN_FACTS)
    )


def _sections(sections: Sequence[Section], music: Engraved) -> list[dict[str, Any]]:
    found = []
    for section, systems in zip(sections, music.pieces, strict=True):
        complete(section, systems)
        pictures = [_picture(system, music.width, section.label) for system in systems]
        found.append({"label": section.label, "systems": pictures})
    return found


def _picture(system: SystemPicture, width: float, label: str) -> str:
    drawing = Drawing(width)
    drawing.picture(system)
    return svg_text(drawing, label=label, scope="", fonts=False)


def _set_in_known_scripts(text: str) -> bool:
    letters = {letter for letter in set(text) if letter.isalpha() and ord(letter) > _LATIN}
    return all(unicodedata.name(letter, "").startswith(_KNOWN) for letter in letters)


_STREAM = re.compile(rb"stream\r?\n(.*?)\r?\nendstream", re.DOTALL)
_SHOWN = re.compile(rb"\(((?:[^()\\]|\\.)*)\)", re.DOTALL)  # a literal string (7.3.4.2)
_ESCAPED = re.compile(rb"\\([0-7]{1,3}|\r\n|.)", re.DOTALL)
_SIGNS = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f", b"\n": b"", b"\r\n": b""}
_MAPPED = re.compile(rb"<[0-9A-F]{4}> <([0-9A-F]+)>")  # a line of a ToUnicode map (9.10.3)


def lacking(content: bytes, text: str) -> str:
    """The letters of a text that a PDF by typst shows as empty boxes; "" where it shows them all.

    Where it cannot be told which they are, all that are not ASCII.
    """
    streams = list(_streams(content))
    if not any(map(_has_boxes, streams)):
        return ""
    mapped = {letter for stream in streams if b"begincmap" in stream for letter in _letters(stream)}
    asked = dict.fromkeys(letter for letter in text if not letter.isascii())
    return "".join(letter for letter in asked if letter not in mapped) or "".join(asked) or "?"


def _streams(content: bytes) -> Iterator[bytes]:
    for found in _STREAM.finditer(content):
        try:
            yield zlib.decompress(found[1])
        except zlib.error:
            continue


def _has_boxes(stream: bytes) -> bool:
    if b"BT" not in stream or b"begincmap" in stream:
        return False
    return any(_has_zero(_plain(found[1])) for found in _SHOWN.finditer(stream))


def _has_zero(glyphs: bytes) -> bool:
    pairs = range(0, len(glyphs), 2)
    return len(glyphs) % 2 == 0 and any(glyphs[at : at + 2] == b"\0\0" for at in pairs)


def _plain(literal: bytes) -> bytes:
    def sign(found: re.Match[bytes]) -> bytes:
        text = found[1]
        return bytes([int(text, 8) & 255]) if text[:1].isdigit() else _SIGNS.get(text, text)

    return _ESCAPED.sub(sign, literal)


def _letters(stream: bytes) -> Iterator[str]:
    for found in _MAPPED.finditer(stream):
        yield from bytes.fromhex(found[1].decode()).decode("utf-16-be", errors="replace")
