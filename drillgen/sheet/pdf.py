"""Sheets for the stand: PDF, set by typst from the engraved systems.  Imports verovio and typst.

Each system is a picture that no page break can cut; its text stays text.  A key stays with its
heading, and on one page unless it is long.  The same input gives the same bytes: the file carries
no date.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from drillgen.sheet.directions import BETWEEN_FACTS
from drillgen.sheet.restyle import SystemPicture
from drillgen.sheet.svg import (
    FONTS,
    Drawing,
    Engraved,
    Music,
    SheetError,
    complete,
    engraved,
    svg_text,
)

Paper = Literal["a4", "us-letter"]
# Scripts that the fonts brought along have; other letters are looked for on the machine.
_LATIN = 0x24F  # the last letter of Latin Extended-B
_NO_BREAK = "\u00a0"
_KNOWN = ("LATIN", "GREEK", "CYRILLIC")


class Printable(Protocol):
    """What is printed of a drill: `drillgen.sheet.sheets.Sheet`, seen from here."""

    @property
    def title(self) -> str: ...
    @property
    def note(self) -> str: ...
    @property
    def facts(self) -> str: ...
    @property
    def tempo(self) -> str: ...
    @property
    def reader(self) -> str: ...
    @property
    def seed(self) -> int: ...
    @property
    def sections(self) -> Sequence[Music]: ...


@dataclass(frozen=True, slots=True)
class Booklet:
    """What stands before the sheets of a lesson."""

    title: str
    lines: tuple[str, ...] = ()  # under the title, on the title page
    contents: str = "Contents"


def pdf(sheet: Printable, paper: Paper = "a4") -> bytes:
    """A drill's sheet as PDF.  Raises SheetError where verovio or typst is missing."""
    return _typeset(_document(sheet.title, [sheet], paper))


def booklet(cover: Booklet, sheets: Sequence[Printable], paper: Paper = "a4") -> bytes:
    """A lesson's sheets as one PDF: title page, contents, each drill from a page of its own.

    Raises SheetError where verovio or typst is missing.
    """
    about = {"booklet": True, "lines": cover.lines, "contents": cover.contents}
    return _typeset(_document(cover.title, sheets, paper) | about)


def _typeset(document: Mapping[str, Any]) -> bytes:
    """Have typst set `typeset/sheet.typ` with this document."""
    try:
        import typst
    except ImportError as error:
        raise SheetError(
            "PDF sheets need the library typst: pip install typst (or build with --no-sheets)"
        ) from error
    text = json.dumps(document, ensure_ascii=False)
    try:
        return typst.compile(
            FONTS / "sheet.typ",
            sys_inputs={"sheets": text},
            font_paths=[FONTS],
            ignore_system_fonts=_set_in_known_scripts(text),
            format="pdf",
        )
    except typst.TypstError as error:
        raise SheetError(f"typst cannot set the sheet {document['title']}: {error}") from error


def _document(title: str, sheets: Sequence[Printable], paper: Paper) -> dict[str, Any]:
    return {
        "title": title,
        "paper": paper,
        "booklet": False,
        "sheets": [_sheet(sheet) for sheet in sheets],
    }


def _sheet(sheet: Printable) -> dict[str, Any]:
    music = engraved(tuple(section.musicxml for section in sheet.sections), None)
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


def _sections(sections: Sequence[Music], music: Engraved) -> list[dict[str, Any]]:
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
