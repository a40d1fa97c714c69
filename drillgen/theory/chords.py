"""Chords, by symbol or by Roman numeral.

A chord is a root, the degrees over it, perhaps another bass.

The root is read greedily: "Bb7" is B flat seven, "Bb5" the power chord on B flat, "Cb9" C flat
nine.  A space or a bracket ends it: "C b5" and "C(b5)" are C with a flat fifth.

Degrees count from the major scale of the tonic in every mode: in C minor Eb is bIII.  Capitals are
major triads and small numerals minor ones; a bare 7 makes dominants of capitals (I7, IV7, V7,
bII7, bVII7) and minor sevenths of small ones; every other quality is written as in a chord symbol
(Imaj7, iiø7, viio7, i(maj7), iv6, V7alt).  "V7/ii" leads to ii as to a tonic; "subV7/ii" stands in
for it, a semitone above ii.  A figure after the slash is a bass, counted over the chord's own root:
"V7/3" has the third of V in the bass, "I/2" a whole tone above its root, "I/b7" a minor seventh.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Literal

from drillgen.theory.chord_types import (
    KINDS,
    ROOT,
    USUAL,
    Change,
    ChordError,
    Degrees,
    QualityError,
    SymbolError,
    ascending,
    changes,
    name_of,
    named_elsewhere,
    no_bass,
    no_quality,
    no_root,
    read_quality,
)
from drillgen.theory.other_names import (
    Elsewhere,
    chord_elsewhere,
    figured,
    from_shorthand,
    nearest_quality,
)
from drillgen.theory.pitch import Degree, Key, Name

Family = Literal["major", "minor", "dominant", "half-diminished", "diminished", "minor-major",
                 "augmented", "suspended"]  # fmt: skip

_MOST_ACCIDENTALS = 2  # nobody reads a triple flat


@dataclass(frozen=True, slots=True)
class Chord:
    """A chord.  Made by `parse_chord` or `Chord.of`, which name it."""

    root: Name
    degrees: Degrees  # ascending, the root (1) included: Dm7 is 1 b3 5 b7
    symbol: str  # canonical and ASCII, without the root: "m7", "7b9", ""
    kind: str  # one of MusicXML's kinds
    bass: Name | None = None  # where another note than the root is the lowest

    def __hash__(self) -> int:
        """Of what tells most chords apart: chords are looked up often, and have many degrees."""
        return hash((self.root, self.symbol, self.bass))

    @classmethod
    def of(cls, root: Name, degrees: Degrees, bass: Name | None = None) -> Chord:
        """The chord with these degrees.  Raises ValueError where no symbol could say it."""
        degrees = ascending(degrees)
        symbol, kind = name_of(degrees)
        return cls(root, degrees, symbol, kind, None if bass == root else bass)

    @property
    def names(self) -> tuple[Name, ...]:
        """The degrees spelled: Abm7 is Ab Cb Eb Gb."""
        return tuple(self.root.above(degree) for degree in self.degrees)

    @property
    def bass_name(self) -> Name:
        """The lowest note: the one after the slash, else the root."""
        return self.bass or self.root

    def degree(self, number: int) -> Degree | None:
        """The chord's own version of a degree: 3 is b3 in a minor chord, None in a sus chord."""
        return next((degree for degree in self.degrees if degree.number == number), None)

    @property
    def played(self) -> Degrees:
        """What players sound of it: a thirteenth chord's natural eleventh is only implied over a
        major third (common practice)."""
        if Degree(3) in self.degrees and self.degree(13):
            return tuple(degree for degree in self.degrees if degree != Degree(11))
        return self.degrees

    @property
    def third(self) -> Degree | None:
        """The degree heard as the third: in a sus chord its fourth or second."""
        return self.degree(3) or self.degree(4) or self.degree(2)

    @property
    def fifth(self) -> Degree:
        """Its fifth, or the b13 that replaces it; a perfect fifth where it has neither."""
        replacing = self.degree(13) if Degree(13, -1) in self.degrees else None
        return self.degree(5) or replacing or Degree(5)

    @property
    def seventh(self) -> Degree | None:
        """Its seventh, or the sixth of a sixth chord; None in triads, a b6 added or not."""
        sixth = self.degree(6)
        return self.degree(7) or (sixth if sixth and sixth.alter >= 0 else None)

    @property
    def guide_tones(self) -> tuple[Degree, Degree]:
        """Third and seventh.  A triad has its root for a seventh (the leading note before it
        rises there), a chord without a third its fifth for a third (common practice)."""
        return self.third or self.fifth, self.seventh or Degree(1)

    @property
    def is_suspended(self) -> bool:
        return self.degree(3) is None and self.third is not None

    @property
    def is_dominant(self) -> bool:
        """A major third, or a fourth or second in its place, with a minor seventh."""
        third = Degree(3) in self.degrees or self.is_suspended
        return third and Degree(7, -1) in self.degrees

    @property
    def is_minor(self) -> bool:
        """A minor third, whatever stands above it."""
        return Degree(3, -1) in self.degrees

    @property
    def family(self) -> Family:
        """What sort of chord it is to a player; with no third at all it counts as suspended."""
        if self.is_minor:
            return self._minor_family()
        if Degree(3) not in self.degrees:
            return "suspended"
        if self.is_dominant:
            return "dominant"
        return "augmented" if Degree(5, 1) in self.degrees else "major"

    def _minor_family(self) -> Family:
        if Degree(5, -1) in self.degrees:
            return "half-diminished" if Degree(7, -1) in self.degrees else "diminished"
        return "minor-major" if Degree(7) in self.degrees else "minor"

    @property
    def alterations(self) -> tuple[Change, ...]:
        """What to add to, alter in or take from the kind's own degrees: MusicXML's `degree`s."""
        return changes(KINDS[self.kind], self.degrees)

    def transposed(self, fifths: int) -> Chord:
        """Moved along the line of fifths, bass included; respelled where a note would need more
        than two accidentals."""
        bass = self.bass and Name(self.bass.fifths + fifths)
        return replace(self, root=Name(self.root.fifths + fifths), bass=bass).readable

    def on(self, root: Name) -> Chord:
        """The same chord on another root, its bass as far from it as before."""
        return self.transposed(root.fifths - self.root.fifths)

    @property
    def readable(self) -> Chord:
        """Itself, or spelled from the simplest root where a note has three accidentals."""
        if all(abs(name.alter) <= _MOST_ACCIDENTALS for name in (*self.names, self.bass_name)):
            return self
        root = self.root.simplest
        move = root.fifths - self.root.fifths
        bass = self.bass and Name(self.bass.fifths + move)
        if bass and abs(bass.alter) > _MOST_ACCIDENTALS:
            bass = bass.simplest
        return replace(self, root=root, bass=bass)

    @property
    def text(self) -> str:
        """As `parse_chord` reads it back: 'Dm7/G'.  The power chord on B flat is 'Bb5'."""
        return f"{self.root}{self.symbol}" + (f"/{self.bass}" if self.bass else "")

    @property
    def pretty(self) -> str:
        """For people: 'Dm7♭5/G♭'."""
        symbol = self.symbol.replace("b", "♭").replace("#", "♯")
        return f"{self.root.pretty}{symbol}" + (f"/{self.bass.pretty}" if self.bass else "")

    def __str__(self) -> str:
        return self.text


@lru_cache(maxsize=4096)
def parse_chord(text: str) -> Chord:
    """Read a chord symbol: 'Dm7', 'F#m7b5/E', 'B♭7(♭9,♯11)'.  Raises ChordError."""
    try:
        return _read(text)
    except ChordError as error:
        raise _from_elsewhere(text) or error from None


def _read(text: str) -> Chord:
    start = len(text) - len(text.lstrip())
    symbol = text.rstrip()
    root = ROOT.match(symbol, start)
    if not root:
        raise no_root(text, start)
    quality_end, bass = _split_bass(symbol, root.end())
    try:
        degrees = read_quality(symbol[root.end() : quality_end])
        return Chord.of(Name.parse(root[0]), degrees, bass)
    except QualityError as error:
        raise no_quality(text, root.end() + error.offset) from None
    except ValueError:  # readable, but nothing one would call a chord
        raise no_quality(text, root.end()) from None


def _split_bass(text: str, start: int) -> tuple[int, Name | None]:
    """Where the quality ends, and the bass after the last slash if a letter follows it."""
    slash = text.rfind("/", start)
    if slash < 0 or text[slash + 1 : slash + 2].isdigit() or text.find(")", slash) > 0:
        return len(text), None  # C6/9, C7(b9/#11)
    found = text[slash + 1 :].strip()
    if not ROOT.fullmatch(found):
        raise no_bass(text, slash, found)
    return slash, Name.parse(found)


def _from_elsewhere(text: str) -> ChordError | None:
    """What to say where a chord is written as files for computers have it, or root or bass is named
    in another language and the rest is a chord's."""
    meant = _from_shorthand(text) or chord_elsewhere(text)
    if meant is None:
        return None
    try:
        _read(meant.here[0])
    except ChordError:
        return None
    return named_elsewhere(text, meant)


def _from_shorthand(text: str) -> Elsewhere | None:
    found = from_shorthand(text)
    if found is None:
        return None
    root, quality, degree = found
    bass = f"/{Name.parse(root).above(Degree.parse(degree))}" if degree else ""
    here = f"{root}{quality}{bass}"
    return Elsewhere(f"{text.strip()} is {here} on a lead sheet", (here,))


# How players write the root of a chord in a key.

_REMOTE = frozenset(map(Name.parse, ("Cb", "Fb")))
_CROWDED = 2  # double accidentals in one chord
_TENSIONS = 8  # degrees from here on


def as_written(chord: Chord, key: Key) -> Chord:
    """The chord by the root that players expect in a key.

    The tritone substitute in Gb is G7, not Abb7, and the way home by the back door is Bm7 E7, not
    Cbm7 Fb7: a double accidental is never written, and Cb or Fb only where the key has the root and
    its third, as it has those of IV in Gb.  E# and B# stay, since they lead up (common practice).
    """
    root = chord.root
    third = root.above(chord.third) if chord.third else root
    remote = root in _REMOTE and not (key.has(root) and key.has(third))
    return relieved(chord.on(root.simplest) if remote or abs(root.alter) > 1 else chord)


def relieved(chord: Chord) -> Chord:
    """The chord on the other name of its root where it would need two double accidentals: F#dim7
    for Gb Bbb Dbb Fbb.  One stays, so that every tone has its degree's letter: Cdim7 has a Bbb."""
    if _doubles(chord) < _CROWDED:
        return chord
    names = (Name(chord.root.fifths + turn) for turn in (-12, 12))
    others = [chord.on(name) for name in names if abs(name.alter) < _MOST_ACCIDENTALS]
    return min([chord, *others], key=_doubles)


def _doubles(chord: Chord) -> int:
    """How many of its tones, tensions apart, have a double accidental."""
    tones = (chord.root.above(degree) for degree in chord.degrees if degree.number < _TENSIONS)
    return sum(abs(name.alter) >= _MOST_ACCIDENTALS for name in tones)


NUMBERS = {"I": 1, "II": 2, "III": 3, "IV": 4, "V": 5, "VI": 6, "VII": 7}

_ROMAN = "VII|VI|IV|V|III|II|I|vii|vi|iv|v|iii|ii|i"
_SIGNS = "[b♭#♯]{0,2}"
_HEAD = re.compile(rf"(?P<sub>sub(?=V))?(?P<sign>{_SIGNS})(?P<roman>{_ROMAN})")
_TARGET = re.compile(rf"/(?P<sign>{_SIGNS})(?P<roman>{_ROMAN})$")
_BASS = re.compile(rf"(?<!6)/(?P<figure>{_SIGNS}[1-9][0-3]?)$|/(?P<other>{_SIGNS}[1-8])$")
_STARTS_LIKE = re.compile(rf"(?:sub|{_SIGNS})[iIvV]")
# A small numeral is minor already; these qualities say so again, or that its fifth is diminished.
_SAYS_MINOR = re.compile(r"m(?!aj|a[0-9])|-|[o°ºøØ∅]|h?dim|Mi|MI|H?Dim|H?DIM")


class NumeralError(SymbolError):
    """A text that is no Roman numeral."""

    ALLOWED = (
        "a Roman numeral I to VII (small for minor), perhaps after b or #, then a quality (7, "
        "maj7, ø7, o7, 7alt, ...), then perhaps /degree to resolve to (V7/ii) or /figure of the "
        "bass (I/3)"
    )


@dataclass(frozen=True, slots=True)
class Numeral:
    """A chord relative to a key.  Equal numerals mean the same, however they are written."""

    step: Degree  # where the root stands over the tonic, or over the target
    degrees: Degrees  # the chord's, over its root
    targets: tuple[Degree, ...] = ()  # V7/V/ii: V, then ii; the last stands in the key
    bass: Degree | None = None  # over the chord's root
    text: str = field(default="", compare=False)  # as written

    def in_key(self, key: Key) -> Chord:
        """The chord in a key; respelled where a note would need more than two accidentals."""
        root = self.root_in(key)
        bass = root.above(self.bass) if self.bass else None
        return Chord.of(root, self.degrees, bass).readable

    def root_in(self, key: Key) -> Name:
        root = key.tonic
        for degree in (*reversed(self.targets), self.step):
            root = root.above(degree)
        return root

    @property
    def symbol(self) -> str:
        """Its chord's canonical symbol: 'm7' for ii7."""
        return name_of(self.degrees)[0]

    def __str__(self) -> str:
        return self.text


def is_numeral(text: str) -> bool:
    """Whether a text starts like a numeral (chord symbols start with A to G)."""
    return bool(_STARTS_LIKE.match(text.strip()))


@lru_cache(maxsize=4096)
def parse_numeral(text: str) -> Numeral:
    """Read 'ii7', 'bVIImaj7', 'V7(b9,#11)/ii', 'subV7', 'I/3'.  Raises NumeralError."""
    start = len(text) - len(text.lstrip())
    written = text.rstrip()
    head = _HEAD.match(written, start)
    if not head:
        message = f'"{text}": no Roman numeral, I to VII or i to vii'
        raise NumeralError(message, start, written[start:])
    rest, figure = _peel_bass(written[head.end() :])
    rest, targets = _peel_targets(rest)
    degrees = _quality(text, head, rest)
    step = Degree(2, -1) if head["sub"] else _degree(head)
    bass = _bass(figure, degrees) if figure else None
    return Numeral(step, degrees, targets, bass, written[start:])


def _peel_bass(rest: str) -> tuple[str, str]:
    """Without its bass figure, and the figure; the 9 of a 6/9 chord is none."""
    found = _BASS.search(rest)
    return (rest[: found.start()], found["figure"] or found["other"]) if found else (rest, "")


def _peel_targets(rest: str) -> tuple[str, tuple[Degree, ...]]:
    targets: list[Degree] = []
    while found := _TARGET.search(rest):
        targets.insert(0, _degree(found))
        rest = rest[: found.start()]
    return rest, tuple(targets)


def _degree(found: re.Match[str]) -> Degree:
    return Degree.parse(found["sign"] + str(NUMBERS[found["roman"].upper()]))


def _bass(figure: str, degrees: Degrees) -> Degree:
    """A bare figure is the chord's own degree where it has one: the 3 of ii7 is its b3."""
    asked = Degree.parse(figure)
    own = (degree for degree in degrees if degree.number == asked.number)
    return asked if asked.alter else next(own, asked)


def _quality(text: str, head: re.Match[str], quality: str) -> Degrees:
    small = head["roman"].islower()
    if head["sub"] and not quality:
        quality = "7"  # a substitute dominant is a seventh chord
    implied = "m" if small and not _SAYS_MINOR.match(quality) else ""
    try:
        degrees = read_quality(implied + quality)
        name_of(degrees)
    except QualityError as error:
        raise _no_quality(text, head, max(error.offset - len(implied), 0), quality) from None
    except ValueError:
        raise _no_quality(text, head, 0, quality) from None
    return degrees


def _no_quality(text: str, head: re.Match[str], offset: int, quality: str) -> NumeralError:
    position = head.end() + offset
    found = text[position:].strip()
    if here := figured(text):
        message = f'"{text}": {text.strip()} of a theory book is {here} here'
        return NumeralError(message, position, found, here)
    if found.startswith("/"):
        what = f'"{found[1:]}"' if found[1:] else "nothing"
        message = f'{what} after "{text[: position + 1].strip()}", not a degree or a bass figure'
        return NumeralError(f'"{text}": {message}', position + 1, found[1:])
    near = nearest_quality(head[0], quality, _usual(head["roman"]))
    message = f'"{text}": no chord quality "{found}" after "{text[:position].strip()}"'
    hint = f'; nearest: "{near}"' if near else ""
    return NumeralError(message + hint, position, found, near)


def _usual(roman: str) -> Iterable[str]:
    """Usual qualities after a capital; after a small numeral the minor ones without their m."""
    for quality in USUAL:
        minor = quality.startswith("m") and not quality.startswith("maj")
        if minor and roman.islower():
            yield quality[1:]
        elif quality.startswith("dim") or (not minor and roman.isupper()):
            yield quality
