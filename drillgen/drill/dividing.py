"""Signs that bars are divided or repeated with elsewhere, and what is written here instead."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from drillgen.drill.problems import RefusedError, Wrong, refuse, show

_BETWEEN = re.compile(r"[,;>→–—-]+")
_COLON = ":"  # of |: and :|, the bar lines taken away
_SHOWN = 4  # chords of an example
_DIVIDED = "chords are divided by spaces and bars by |"
NO_REPEATS = "repeat signs are not known here"
REPEATS = "% for the bar before, passes for the whole, or named sections with form: A A B A"


@dataclass(frozen=True, slots=True)
class Word:
    """A word of a progression, and where it stands in the text."""

    text: str
    offset: int

    def wrong(
        self, message: str, allowed: str = "", nearest: str = "", into: int = 0
    ) -> RefusedError:
        return refuse(message, allowed, nearest, offset=self.offset + into)


def without_signs(
    words: Sequence[Word], is_chord: Callable[[str], bool]
) -> tuple[list[Word], list[Wrong]]:
    """The chords of a bar, and what to say of the signs between and around them."""
    chords: list[Word] = []
    signs: list[Word] = []
    for word in words:
        inside, found = _taken_apart(word, is_chord)
        chords += inside
        signs += found
    return chords, [_unknown(sign, chords) for sign in signs]


def _unknown(sign: Word, chords: Iterable[Word]) -> Wrong:
    if sign.text.startswith(_COLON):
        return Wrong(NO_REPEATS, REPEATS, offset=sign.offset)
    allowed = bars_of(word.text for word in chords)
    return Wrong(f"{_DIVIDED}, not by {show(sign.text)}", allowed, offset=sign.offset)


def _taken_apart(word: Word, is_chord: Callable[[str], bool]) -> tuple[list[Word], list[Word]]:
    """The chords in a word, and the first sign that does not belong to them."""
    text = word.text.strip(_COLON)
    if text != word.text:
        into = len(word.text) - len(word.text.lstrip(_COLON))
        colon = Word(_COLON, word.offset + (0 if into else len(text)))
        return ([Word(text, word.offset + into)] if text else []), [colon]
    if _BETWEEN.fullmatch(text):
        return [], [word]
    parts = [part for part in _BETWEEN.split(text) if part]
    if len(parts) < 2 or is_chord(text) or not all(map(is_chord, parts)):
        return [word], []
    at = text.index(parts[0]) + len(parts[0])
    return [Word(part, word.offset) for part in parts], [Word(text[at], word.offset + at)]


def bars_of(chords: Iterable[str]) -> str:
    """For people: the chords, a bar each."""
    kept = [bare(chord) for chord in chords if chord != "/"]
    return " | ".join(kept[:_SHOWN]) + (" | …" if len(kept) > _SHOWN else "")


def bare(chord: str) -> str:
    """Without the comma that may follow it."""
    return chord.rstrip(",;")
