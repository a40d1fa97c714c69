"""What is said of a text that is no chord symbol."""

from __future__ import annotations

import re

from drillgen.theory.elsewhere import Elsewhere
from drillgen.theory.nearest import nearest
from drillgen.theory.qualities import USUAL
from drillgen.theory.symbol_error import SymbolError

ROOT = re.compile(r"[A-G](?:##|bb|♯♯|♭♭|[#♯b♭x𝄪𝄫])?")


class ChordError(SymbolError):
    """A text that is no chord symbol."""

    ALLOWED = "a root A to G, then a quality (m7, maj7, 7b9, sus4, ...), then perhaps a /bass"


def no_root(text: str, start: int) -> ChordError:
    found = text.strip()
    guess = found[:1].upper() + found[1:]
    near = _nearest(guess) if guess[:1] in set("ABCDEFG") else ""
    message = f'"{text}": a chord begins with its root, A to G' + _hint(near)
    return ChordError(message, start, found, suggestion=near)


def no_quality(text: str, position: int) -> ChordError:
    found = text[position:].strip()
    near = _nearest(text)
    message = f'"{text}": no chord quality {_quoted(found)} after "{text[:position].strip()}"'
    return ChordError(message + _hint(near), position, found, suggestion=near)


def no_bass(text: str, slash: int, found: str) -> ChordError:
    message = f'"{text}": no bass note {_quoted(found)} after "{text[: slash + 1]}"'
    return ChordError(message, slash + 1, found, allowed="a note name (C, F#, Bb) after the slash")


def named_elsewhere(text: str, meant: Elsewhere) -> ChordError:
    (here,) = meant.here
    message = f'"{text}": {meant.said}{_hint(here)}'
    return ChordError(message, meant.at, text[meant.at :].strip(), suggestion=here)


def _quoted(found: str) -> str:
    return f'"{found}"' if found else "at the end"


def _hint(near: str) -> str:
    return f'; nearest: "{near}"' if near else ""


def _nearest(text: str) -> str:
    """The usual chord spelled most like `text`, on its root."""
    text = "".join(text.split())
    root = ROOT.match(text)
    return nearest(text, [root[0] + quality for quality in USUAL]) if root else ""
