"""Signs that no text may have, and those that are not seen.

Sheets are XML: XML 1.0 (5th edition), section 2.2, allows no control signs but tabs and line ends,
and asks to leave out those from U+007F to U+009F.  Terminals obey both sorts.
"""

from __future__ import annotations

import re
import unicodedata

_CONTROLS = "\x00-\x08\x0e-\x1b\x7f-\x84\x86-\x9f"
_SPACES = "\x0b\x0c\x1c-\x1f"  # controls that Python takes for white space
FORBIDDEN = re.compile(f"[{_CONTROLS}{_SPACES}\ufffe\uffff]")
# Controls, signs that turn the text around them, halves of signs: a name must read as it is.
_UNSEEN = re.compile(
    f"[{_CONTROLS}\u061c\u200b\u200e\u200f\u202a-\u202e\u2060-\u2069\ud800-\udfff\ufeff]"
)
_OBEYED = re.compile(f"[{_CONTROLS}{_SPACES}\t\n\r\x85\u2028\u2029]")


def plain(text: str) -> str:
    """A text as it can be shown anywhere: on one line, composed, without unseen signs."""
    return " ".join(_UNSEEN.sub("", unicodedata.normalize("NFC", text)).split())


def quoted(text: str) -> str:
    """A text that may be wrong, for a message: on one line, a � for each sign that a terminal
    would obey."""
    return _OBEYED.sub("\ufffd", text)
