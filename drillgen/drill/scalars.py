"""Where each character of a YAML text stood in its file.

A parsed text has lost its indentation, folded line ends, quotes and escapes; walking through both
side by side finds them again.
"""

from __future__ import annotations

import re

from drillgen.drill.source import Item

_CODE = re.compile(r"\\(?:x([0-9A-Fa-f]{2})|u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8}))")
_SIMPLE = {"0": "\0", "a": "\a", "b": "\b", "e": "\x1b", '"': '"', "\\": "\\", "/": "/"}


def offsets(item: Item) -> list[int] | None:
    """The offset in the source of each character of a text; None where they cannot be matched."""
    raw, place = item.place.source.text, item.place
    if not item.place.source.positions or not isinstance(item.value, str):
        return None
    at = raw.find("\n", place.start) + 1 if item.style in ("|", ">") else place.start
    at += item.style in ("'", '"') if item.style else 0
    found: list[int] = []
    for char in item.value:
        step = _white(raw, at, item.style) if char.isspace() else _inked(raw, at, item.style, char)
        if step is None or step[0] > place.end:
            return None
        found.append(step[0])
        at = step[1]
    return found


def source_offset(item: Item, offset: int | None) -> int:
    """Where a place in a text stood in its source; the text's start where that is not known."""
    known = offsets(item) if offset is not None else None
    if offset is None or not known or offset >= len(known):
        return item.place.start
    return known[offset]


def with_lines(item: Item) -> str:
    """The text with the line ends that folding made into spaces: a line end divides bars."""
    text: str = item.value
    known = offsets(item) if "\n" in _written(item) else None
    if not known:
        return text
    raw = item.place.source.text
    ends = [*known[1:], item.place.end]
    return "".join(
        "\n" if char == " " and "\n" in raw[start:end] else char
        for char, start, end in zip(text, known, ends, strict=True)
    )


def comment_after(item: Item) -> int | None:
    """The offset of a comment on the line where an unquoted text ends."""
    place = item.place
    if item.style or not place.source.positions:
        return None
    found = re.compile(r"[^\S\n]*(#)").match(place.source.text, place.end)
    return found.start(1) if found else None


def _written(item: Item) -> str:
    return item.place.source.text[item.place.start : item.place.end]


def _white(raw: str, at: int, style: str | None) -> tuple[int, int] | None:
    """White space stands for any stretch of it; an escaped one for itself."""
    if style == '"' and raw[at : at + 1] == "\\":
        code = _CODE.match(raw, at)
        return at, code.end() if code else at + 2
    return (at, at + 1) if raw[at : at + 1].isspace() else None


def _inked(raw: str, at: int, style: str | None, char: str) -> tuple[int, int] | None:
    """The next sign, after white space that folding or indentation swallowed."""
    while raw[at : at + 1].isspace() or (style == '"' and raw[at : at + 2] == "\\\n"):
        at += 2 if raw[at : at + 1] == "\\" else 1
    if style == "'" and char == "'" and raw[at : at + 2] == "''":
        return at, at + 2
    if style == '"' and raw[at : at + 1] == "\\":
        return _escaped(raw, at, char)
    return (at, at + 1) if raw[at : at + 1] == char else None


def _escaped(raw: str, at: int, char: str) -> tuple[int, int] | None:
    code = _CODE.match(raw, at)
    if code:
        number = int(code[1] or code[2] or code[3], 16)
        return (at, code.end()) if number == ord(char) else None
    return (at, at + 2) if _SIMPLE.get(raw[at + 1 : at + 2]) == char else None
