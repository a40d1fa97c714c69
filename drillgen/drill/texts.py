"""Texts that a person may write as they like: titles, notes, names of sections."""

from __future__ import annotations

from typing import Any

from drillgen.drill.fields import Read
from drillgen.drill.problems import RefusedError, Wrong, refuse, show
from drillgen.drill.signs import FORBIDDEN, plain


def text(longest: int, *, empty: bool = False) -> Read:
    """A text on one line (line breaks become spaces); numbers are taken as they look.

    Of signs that are not seen alone nobody could read anything: such a text is empty.
    """

    def read(value: Any) -> str:
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise refuse(f"{show(value)} is not a text", "a text")
        refuse_controls(str(value), "the text")
        words = " ".join(_whole_signs(str(value)).split())
        if not plain(words):
            if empty:
                return ""
            raise refuse("the text is empty", "a text")
        if len(words) > longest:
            raise refuse(f"the text has {len(words)} characters", f"up to {longest}")
        return words

    schema = {"type": ["string", "number"], "maxLength": longest}
    return Read(read, schema if empty else {**schema, "pattern": r"\S"})


def refuse_controls(text: str, what: str, *, key: bool = False) -> None:
    """Raises RefusedError at the first sign that no sheet and no terminal can show."""
    found = FORBIDDEN.search(text)
    if found:
        number = f"U+{ord(found[0]):04X}"
        wrong = Wrong(
            f"{what} has a control sign ({number})",
            "signs that can be printed",
            key=key,
            offset=found.start(),
        )
        raise RefusedError([wrong])


def _whole_signs(text: str) -> str:
    """JSON writes a sign beyond the first 65,536 as two escapes, which YAML reads as two halves;
    a half without its other is no text at all."""
    try:
        return text.encode("utf-16", "surrogatepass").decode("utf-16")
    except UnicodeDecodeError:
        raise refuse("the text has half of an escaped sign", "whole signs in UTF-8") from None


MAX_TITLE = 100  # characters; titles become names of files
TITLE = text(MAX_TITLE)
NOTE = text(1000, empty=True)
