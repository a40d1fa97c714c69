"""Chord symbols as people write them, read into qualities and what to say of others."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from typing import ClassVar

from drillgen.theory.chord_types import ADDED, ALTERED, USUAL, Degrees, ascending, spelled
from drillgen.theory.other_names import Elsewhere, nearest
from drillgen.theory.pitch import Degree

# What is wrong with a text that should be a chord symbol or a numeral.


class SymbolError(ValueError):
    """A text that is no symbol of its kind."""

    ALLOWED: ClassVar[str]

    def __init__(
        self, message: str, position: int, found: str, suggestion: str = "", allowed: str = ""
    ) -> None:
        super().__init__(message)
        self.message = message
        self.position = position  # where reading stopped, from 0
        self.found = found
        self.allowed = allowed or self.ALLOWED
        self.suggestion = suggestion


# Reading the quality of a chord symbol: everything between the root and the slash.
#
# The usual lead-sheet spellings. A quality is a base ("m7", "maj9", "ø7", "+") and then changes to
# it ("b9", "(b9,#11)", "sus4", "add9", "no5"). Meanings by common practice: 9, 11 and 13 imply the
# seventh; "6" has none; sus replaces the third; an accidental changes the fifth, ninth, eleventh or
# thirteenth, never a dominant's root, third or seventh. Single letters keep their case (m is minor,
# M is major); words may be written in any of min, Min and MIN.


class QualityError(ValueError):
    """Reading stopped `offset` characters into the quality."""

    def __init__(self, offset: int) -> None:
        super().__init__(f"no chord quality at {offset}")
        self.offset = offset


def _words(*words: str) -> tuple[str, ...]:
    """Each word in lower case, with a capital, and in capitals."""
    return tuple(form for word in words for form in (word, word.capitalize(), word.upper()))


MINOR = ("m", "-", *_words("minor", "min", "mi"))
TRIANGLE = ("Δ", "△", "∆")  # means a major seventh even without the 7
MAJOR = ("M", *_words("major", "maj", "ma"))
DIMINISHED = ("o", "°", "º", *_words("dim"))
HALF_DIMINISHED = ("ø", "Ø", "∅", *_words("hdim"))
AUGMENTED = ("+", *_words("aug"))
DOMINANT = ("", *_words("dom"))

_STACK = {"7": "", "9": " 9", "11": " 9 11", "13": " 9 11 13"}
_SIXTHS = {"6": " 6", "69": " 6 9", "6/9": " 6 9", "6(9)": " 6 9"}


def _bases() -> dict[str, Degrees]:
    """Every spelling of a base, with its contents."""
    table: dict[str, Degrees] = {}

    def enter(spellings: Iterable[str], degrees: str) -> None:
        table.update((spelling, spelled(degrees)) for spelling in spellings)

    for triad, names in (("1 3 5", MAJOR), ("1 3 5", ("",)), ("1 b3 5", MINOR)):
        enter(names, triad)
        for number, more in _SIXTHS.items():
            enter((name + number for name in names), triad + more)
    for number, more in _STACK.items():
        enter((name + number for name in DOMINANT), f"1 3 5 b7{more}")
        enter((name + number for name in MINOR), f"1 b3 5 b7{more}")
        sevenths = [name + number for name in MAJOR + TRIANGLE]
        if number == "7":
            sevenths += TRIANGLE
        enter(sevenths, f"1 3 5 7{more}")
        for minor in MINOR:
            enter((minor + seventh for seventh in sevenths), f"1 b3 5 7{more}")
            enter((f"{minor}({seventh})" for seventh in sevenths), f"1 b3 5 7{more}")
        for augmented in AUGMENTED:
            enter((augmented + seventh for seventh in sevenths), f"1 3 #5 7{more}")
        enter((name + number for name in AUGMENTED), f"1 3 #5 b7{more}")
        enter((name + number for name in HALF_DIMINISHED), f"1 b3 b5 b7{more}")
    enter(AUGMENTED, "1 3 #5")
    enter(DIMINISHED, "1 b3 b5")
    enter((name + "7" for name in DIMINISHED), "1 b3 b5 bb7")
    enter(HALF_DIMINISHED, "1 b3 b5 b7")
    enter(("alt", "7alt", "7(alt)", "Alt", "7Alt", "ALT", "7ALT"), "1 3 b7 b9 #9 b13")
    enter(("5",), "1 5")
    enter(("2",), "1 2 3 5")
    enter(("1", "ped"), "1")
    return table


BASES = _bases()
_LONGEST = max(map(len, BASES))

_CHANGE = re.compile(
    r"(?P<word>add|Add|ADD|omit|Omit|no|No)\s?(?P<sign>[b♭#♯]?)(?P<number>[0-9]{1,2})"
    r"|(?P<sus>sus|Sus|SUS)(?P<which>2sus4|4sus2|24|2|4)?"
    r"|(?P<seventh>maj|Maj|MAJ|ma|M|Δ|△|∆)7"
    r"|(?P<accidental>[b♭#♯+-])(?P<altered>[0-9]{1,2})"
    r"|(?P<plus>\+)"
    r"|(?P<plain>[0-9]{1,2})"
)
_SIGNS = {"b": -1, "♭": -1, "-": -1, "#": 1, "♯": 1, "+": 1, "": 0}
_ALTERED = set(spelled(ALTERED))
_ADDED = set(spelled(ADDED))
_ALIASES = {Degree(4, 1): Degree(11, 1)}  # C7(#4) means C7(#11)


class _DegreesBuilder:
    """The degrees while the changes are read: what the base gave, and what was added to it."""

    def __init__(self, base: Degrees) -> None:
        self.base = set(base)
        self.added: set[Degree] = set()

    def change(self, found: re.Match[str], bracketed: bool) -> bool:
        """Make one change; False where it makes no sense here."""
        if found["sus"]:
            return self.suspend(found["which"] or "4")
        if found["seventh"]:
            return self.add_seventh()
        if found["plus"]:
            return self.alter(Degree(5, 1))
        if found["plain"]:
            return bracketed and self.add(Degree(int(found["plain"])))
        if found["altered"]:
            return self.alter(Degree(int(found["altered"]), _SIGNS[found["accidental"]]))
        degree = Degree(int(found["number"]), _SIGNS[found["sign"]])
        return self.add(degree) if found["word"].lower() == "add" else self.omit(degree)

    def alter(self, degree: Degree) -> bool:
        """An altered degree takes the place of the base's own of that number."""
        degree = _ALIASES.get(degree, degree)
        if degree not in _ALTERED:
            return False
        self.base = {old for old in self.base if old.number != degree.number}
        self.added.add(degree)
        return True

    def add(self, degree: Degree) -> bool:
        degree = _ALIASES.get(degree, degree)
        if degree.number == 5 or degree not in _ADDED | _ALTERED:
            return False
        self.added.add(degree)
        return True

    def omit(self, degree: Degree) -> bool:
        """Leave out the chord's degree of that number; its root stays."""
        if degree.alter or degree.number == 1:
            return False
        kept = {old for old in self.base if old.number != degree.number}
        missing = kept == self.base
        self.base = kept
        return not missing

    def suspend(self, which: str) -> bool:
        """The second or fourth replaces the third; an eleventh would double the fourth."""
        gone = (3, 11) if "4" in which else (3,)
        self.base = {old for old in self.base if old.number not in gone}
        self.added |= {Degree(number) for number in (2, 4) if str(number) in which}
        return True

    def add_seventh(self) -> bool:
        if any(degree.number == 7 for degree in self.base):
            return False
        self.added.add(Degree(7))
        return True


@lru_cache(maxsize=1024)
def read_quality(text: str) -> Degrees:
    """The degrees of 'm7b5', '7(b9,#11)', '' (a major triad).

    Raises QualityError at the furthest character that any reading got to.
    """
    furthest = 0
    for length in range(min(_LONGEST, len(text)), -1, -1):
        base = BASES.get(text[:length])
        if base is None:
            continue
        try:
            return _read_changes(text, length, base)
        except QualityError as error:
            furthest = max(furthest, error.offset)
    raise QualityError(furthest)


def _read_changes(text: str, at: int, base: Degrees) -> Degrees:
    builder = _DegreesBuilder(base)
    opened = -1  # where the bracket opened that is not closed yet
    while at < len(text):
        sign = text[at]
        if sign in " ," or (sign == "/" and opened >= 0):
            at += 1
        elif sign == "(" and opened < 0:
            opened, at = at, at + 1
        elif sign == ")" and opened >= 0:
            opened, at = -1, at + 1
        else:
            found = _CHANGE.match(text, at)
            if not found or not builder.change(found, bracketed=opened >= 0):
                raise QualityError(at)
            at = found.end()
    if opened >= 0:
        raise QualityError(opened)
    return ascending(builder.base | builder.added)


# What is said of a text that is no chord symbol.

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
