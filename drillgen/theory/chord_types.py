"""Chord qualities as tables: what each one contains, and how it is called.

Contents follow the `kind` values of MusicXML 4.0 (W3C) and the shorthands of Harte et al.,
"Symbolic representation of musical chords", ISMIR 2005; where both have a word for a chord they
agree.  They are the *named* contents: an eleventh chord contains its third and a thirteenth chord
its eleventh, whatever a player leaves out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal

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

# Kinds that no contents lead to: they must be asked for by name.
SPECIAL_SYMBOLS = {
    "Neapolitan": "N6",
    "Italian": "It6",
    "French": "Fr6",
    "German": "Ger6",
    "Tristan": "Tristan",
    "other": "other",
    "none": "N.C.",
}

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
