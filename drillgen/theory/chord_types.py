"""Chord qualities as tables, and the symbols that name them.

Contents follow the `kind` values of MusicXML 4.0 (W3C) and the shorthands of Harte et al.,
"Symbolic representation of musical chords", ISMIR 2005; where both have a word for a chord they
agree.  They are the *named* contents: an eleventh chord contains its third and a thirteenth chord
its eleventh, whatever a player leaves out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import ClassVar, Literal

from drillgen.theory.other_names import Elsewhere, nearest_quality
from drillgen.theory.pitch import Degree

Degrees = tuple[Degree, ...]
Action = Literal["add", "alter", "subtract"]


@cache
def spelled(text: str) -> Degrees:
    """Read '1 b3 5 b7'."""
    return tuple(Degree.parse(word) for word in text.split())


def ascending(degrees: Iterable[Degree]) -> Degrees:
    """Each degree once, by number, flats first."""
    return tuple(sorted(set(degrees), key=lambda degree: (degree.number, degree.alter)))


# The 33 kinds of MusicXML 4.0.  Neapolitan and augmented sixths stand on their own lowest note
# (bII and bVI of the key); the Tristan chord is F B D# G# over its root (common practice).
# "other" is built of added degrees alone, "none" is no chord.
KINDS: dict[str, Degrees] = {
    kind: spelled(degrees)
    for kind, degrees in {
        "major": "1 3 5",
        "minor": "1 b3 5",
        "augmented": "1 3 #5",
        "diminished": "1 b3 b5",
        "dominant": "1 3 5 b7",
        "major-seventh": "1 3 5 7",
        "minor-seventh": "1 b3 5 b7",
        "diminished-seventh": "1 b3 b5 bb7",
        "augmented-seventh": "1 3 #5 b7",
        "half-diminished": "1 b3 b5 b7",
        "major-minor": "1 b3 5 7",
        "major-sixth": "1 3 5 6",
        "minor-sixth": "1 b3 5 6",
        "dominant-ninth": "1 3 5 b7 9",
        "major-ninth": "1 3 5 7 9",
        "minor-ninth": "1 b3 5 b7 9",
        "dominant-11th": "1 3 5 b7 9 11",
        "major-11th": "1 3 5 7 9 11",
        "minor-11th": "1 b3 5 b7 9 11",
        "dominant-13th": "1 3 5 b7 9 11 13",
        "major-13th": "1 3 5 7 9 11 13",
        "minor-13th": "1 b3 5 b7 9 11 13",
        "suspended-second": "1 2 5",
        "suspended-fourth": "1 4 5",
        "Neapolitan": "1 3 5",
        "Italian": "1 3 #6",
        "French": "1 3 #4 #6",
        "German": "1 3 5 #6",
        "pedal": "1",
        "power": "1 5",
        "Tristan": "1 #4 #6 #9",
        "other": "1",
        "none": "",
    }.items()
}

# Symbol, kind and contents of the chords that others are named from, the usual ones first: of
# two names as short as each other, the earlier is taken.
_BASES: tuple[tuple[str, str, Degrees], ...] = tuple(
    (symbol, kind, spelled(degrees) if degrees else KINDS[kind])
    for symbol, kind, degrees in (
        ("", "major", ""),
        ("m", "minor", ""),
        ("7", "dominant", ""),
        ("maj7", "major-seventh", ""),
        ("m7", "minor-seventh", ""),
        ("m7b5", "half-diminished", ""),
        ("dim7", "diminished-seventh", ""),
        ("dim", "diminished", ""),
        ("aug", "augmented", ""),
        ("6", "major-sixth", ""),
        ("m6", "minor-sixth", ""),
        ("m(maj7)", "major-minor", ""),
        ("9", "dominant-ninth", ""),
        ("maj9", "major-ninth", ""),
        ("m9", "minor-ninth", ""),
        ("7#5", "augmented-seventh", ""),
        ("sus4", "suspended-fourth", ""),
        ("sus2", "suspended-second", ""),
        ("7sus4", "suspended-fourth", "1 4 5 b7"),
        ("7sus2", "suspended-second", "1 2 5 b7"),
        ("6/9", "major-sixth", "1 3 5 6 9"),
        ("m6/9", "minor-sixth", "1 b3 5 6 9"),
        ("m(maj9)", "major-minor", "1 b3 5 7 9"),
        ("9sus4", "suspended-fourth", "1 4 5 b7 9"),
        ("13sus4", "suspended-fourth", "1 4 5 b7 9 13"),
        # An altered dominant: both altered ninths and the flat thirteenth in the fifth's place;
        # #11 belongs to its scale but not to its name (common practice).
        ("7alt", "dominant", "1 3 b7 b9 #9 b13"),
        ("11", "dominant-11th", ""),
        ("maj11", "major-11th", ""),
        ("m11", "minor-11th", ""),
        ("13", "dominant-13th", ""),
        ("maj13", "major-13th", ""),
        ("m13", "minor-13th", ""),
        ("5", "power", ""),
        ("ped", "pedal", ""),
    )
)

# What a slip was most likely meant to be, the likeliest first.
_USUAL = """
    7 m7 maj7 m7b5 dim7 6 m6 9 m9 maj9 13 m11 sus4 7b9 7#9 7#11 7b5 7#5 7alt 7sus4 add9 m(maj7)
    6/9 m maj7#11 13b9 9sus4 13sus4 madd9 7b13 maj7#5 no3 no5 dim aug sus2 maj13 m6/9 5
"""
USUAL = tuple(_USUAL.split())

_COST: dict[Action, int] = {"add": 2, "alter": 2, "subtract": 3}


@dataclass(frozen=True, slots=True)
class Change:
    """A degree added to, altered in or taken from a chord; for `subtract`, as it stood."""

    action: Action
    degree: Degree
    against: Degree | None = None  # what `alter` replaces

    @property
    def musicxml_alter(self) -> int:
        """The `degree-alter` of MusicXML: an added degree counts from a dominant thirteenth
        chord (whose seventh is minor), an altered or subtracted one from the kind's own."""
        if self.action == "add":
            return self.degree.alter + (1 if self.degree.number == 7 else 0)
        return self.degree.alter - self.against.alter if self.against else 0

    @property
    def text(self) -> str:
        """As written in a symbol: 'b9', 'add9', 'no3', 'maj7'."""
        if self.action == "subtract":
            return f"no{self.degree.number}"
        if self.degree == Degree(7):
            return "maj7"
        return str(self.degree) if self.degree.alter else f"add{self.degree}"


def changes(base: Degrees, degrees: Degrees) -> tuple[Change, ...]:
    """What makes `base` into `degrees`, by number."""
    found: list[Change] = []
    for number in sorted({degree.number for degree in base + degrees}):
        old = [degree for degree in base if degree.number == number]
        new = [degree for degree in degrees if degree.number == number]
        gone = [degree for degree in old if degree not in new]
        for degree in (degree for degree in new if degree not in old):
            replaced = gone.pop(0) if gone else None
            found.append(Change("alter" if replaced else "add", degree, replaced))
        found.extend(Change("subtract", degree, degree) for degree in gone)
    return tuple(found)


def _can_be_written(base: Degrees, degrees: Degrees) -> bool:
    """Whether a reader would get from `base` to `degrees` by the changes' texts: an accidental
    replaces the base's degree of that number, and nothing is written to restore a natural."""
    for number in {degree.number for degree in base}:
        old = {degree for degree in base if degree.number == number}
        new = {degree for degree in degrees if degree.number == number}
        if old != new and new and (len(old) > 1 or old & new or any(not d.alter for d in new)):
            return False
        if old != new and not new and (len(old) > 1 or number == 1):
            return False
    return all(
        change.text in _WRITABLE or change.action == "subtract" for change in changes(base, degrees)
    )


ALTERED = "b5 #5 b6 b9 #9 #11 b13"  # degrees that an accidental in a symbol may name
ADDED = "2 4 6 9 11 13"  # naturals that may be added
_WRITABLE = {*ALTERED.split(), *(f"add{number}" for number in ADDED.split()), "maj7"}


@lru_cache(maxsize=1024)
def name_of(degrees: Degrees) -> tuple[str, str]:
    """The canonical ASCII symbol and the MusicXML kind of a chord with these degrees.

    Raises ValueError where no symbol would say it.
    """
    best: tuple[int, str, str, tuple[Change, ...]] | None = None
    for symbol, kind, base in _BASES:
        made = changes(base, degrees)
        cost = sum(_COST[change.action] for change in made)
        if (best is None or cost < best[0]) and _can_be_written(base, degrees):
            best = (cost, symbol, kind, made)
    if best is None:
        raise ValueError(f"no chord symbol for {' '.join(map(str, degrees))}")
    return _joined(best[1], [change.text for change in best[3]]), best[2]


def _joined(base: str, parts: list[str]) -> str:
    """'7' and 'b9' make '7b9'; several parts, or one that could be misread, go in brackets."""
    if not parts:
        return base
    plain = parts[0].startswith(("add", "no")) or (base[-1:].isdigit() and "sus" not in base)
    if len(parts) == 1 and plain and parts[0] != "maj7":
        return base + parts[0]
    return f"{base}({','.join(parts)})"


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
# Means a major seventh even without the 7; j is the Danish and German way to write it.
SEVENTH = ("Δ", "△", "∆", "j")
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
        sevenths = [name + number for name in MAJOR + SEVENTH]
        if number == "7":
            sevenths += SEVENTH
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
    r"|(?P<seventh>maj|Maj|MAJ|ma|M|Δ|△|∆|j)7"
    r"|(?P<accidental>[b♭#♯+-])(?P<altered>[0-9]{1,2})"
    r"|(?P<plus>\+)"
    r"|(?P<plain>[0-9]{1,2})"
)
_SIGNS = {"b": -1, "♭": -1, "-": -1, "#": 1, "♯": 1, "+": 1, "": 0}
_ALTERED = set(spelled(ALTERED))
_ADDED = set(spelled(ADDED))
_ALIASES = {Degree(4, 1): Degree(11, 1)}  # C7(#4) means C7(#11)
# An added 7 is a dominant's: MusicXML 4.0 has the alteration of an added degree relative to one.
_SEVENTHS = {Degree(7), Degree(7, -1)}
_SIXTH = Degree(6)


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
            return self.add_seventh(Degree(7))
        if found["plus"]:
            return self.alter(Degree(5, 1))
        if found["plain"]:
            return bracketed and self.add(Degree(int(found["plain"])))
        if found["altered"]:
            degree = Degree(int(found["altered"]), _SIGNS[found["accidental"]])
            if degree == Degree(7, -1):  # B6(b7), but no slip such as B b7
                return (bracketed or _SIXTH in self.base) and self.add_seventh(degree)
            return self.alter(degree)
        degree = Degree(int(found["number"]), _SIGNS[found["sign"]])
        if found["word"].lower() == "add" and degree in _SEVENTHS:
            return self.add_seventh(Degree(7, -1))
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

    def add_seventh(self, seventh: Degree) -> bool:
        """Over a seventh a sixth is a thirteenth (common practice)."""
        if any(degree.number == 7 for degree in self.base | self.added):
            return False
        if _SIXTH in self.base:
            self.base = self.base - {_SIXTH} | {Degree(13)}
        self.added.add(seventh)
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
    return nearest_quality(root[0], text[root.end() :], USUAL) if root else ""
