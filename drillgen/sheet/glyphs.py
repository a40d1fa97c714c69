"""Whether a PDF shows every letter: what no font on the machine has, typst sets as an empty box and
says nothing.

In a font that is addressed by its glyphs (ISO 32000-2, 9.7.5.2: Identity-H, two bytes a glyph),
glyph 0 is the one for letters that the font lacks (9.7.6.3; OpenType calls it .notdef).
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator

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
