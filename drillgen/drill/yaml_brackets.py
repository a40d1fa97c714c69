"""Where brackets in YAML close, for saying why one does not."""

from __future__ import annotations

import re
from typing import NamedTuple

_CLOSING = {"{": "}", "[": "]"}
# A quotation mark opens a quoted text only at a text's beginning; a # after a space is a comment.
_TOKEN = re.compile(
    r"(?<=[\[{,:\s])(?:'(?:[^']|'')*'|\"(?:[^\"\\]|\\.)*\")"
    r"|(?<=\s)(?P<comment>#[^\n]*)"
    r"|(?P<bracket>[\[\]{}])",
    re.DOTALL,
)


class Bracket(NamedTuple):
    """What became of an opening bracket."""

    closed: bool
    hidden: int | None = None  # the comment before its end, or the text's, that holds a bracket


def follow(text: str, opening: int) -> Bracket:
    """From an opening bracket to the one that closes it, or to the end of the text."""
    due: list[str] = []  # the brackets that close what is open
    hidden: int | None = None
    for found in _TOKEN.finditer(text, opening):
        comment, bracket = found["comment"], found["bracket"]
        if comment and hidden is None and ("}" in comment or "]" in comment):
            hidden = found.start()
        if bracket in _CLOSING:
            due.append(_CLOSING[bracket])
        elif bracket:
            if bracket != due.pop():
                break
            if not due:
                return Bracket(True, hidden)
    return Bracket(False, hidden)
