"""Roman numerals in their jazz meaning.

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
from dataclasses import dataclass, field
from functools import lru_cache

from drillgen.theory.chord_symbols import QualityError, SymbolError, read_quality
from drillgen.theory.chord_types import USUAL, Degrees, name_of
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.other_names import nearest
from drillgen.theory.pitch import Degree, Name

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
    if found.startswith("/"):
        what = f'"{found[1:]}"' if found[1:] else "nothing"
        message = f'{what} after "{text[: position + 1].strip()}", not a degree or a bass figure'
        return NumeralError(f'"{text}": {message}', position + 1, found[1:])
    near = nearest(head[0] + quality, (head[0] + usual for usual in _usual(head["roman"])))
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
