"""Names that a person may have meant: the nearest known word, and note names of other countries."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

# Guessing what a mistyped word was meant to be.

_MISSED = 1.2  # a letter too many or too few: a slip of the pen changes one more often
_DOUBLED = 0.6  # a letter written twice, or once instead of twice
_FURTHEST = 0.4  # of the longer word's letters: most of them must be shared
_BEGUN = 4  # letters after which a word may be left unfinished


def nearest(text: str, known: Iterable[str]) -> str:
    """Which of `known` is most like `text`, the earlier of two; '' where none shares most letters.

    A word that was only begun (`walk`) means the first that begins so, where none is nearer.
    """
    known = tuple(known)
    measured = [(_distance(text, each) / max(len(text), len(each), 1), each) for each in known]
    far, best = min(measured, key=lambda pair: pair[0], default=(1.0, ""))
    if far <= _FURTHEST:
        return best
    begun = (each for each in known if each.startswith(text))
    return next(begun, "") if len(text) >= _BEGUN else ""


def perhaps(text: str, known: Iterable[str]) -> str:
    """'; did you mean walk?', to end a message with; '' where no known word is near."""
    near = nearest(text, known)
    return f"; did you mean {near}?" if near else ""


def _distance(text: str, meant: str) -> float:
    """What it takes to make one of the other: the optimal string alignment distance (Damerau,
    1964; two neighbours exchanged are one slip), weighed as above."""
    before: list[float] = []
    row = [0.0]
    for at in range(len(meant)):
        row.append(row[-1] + _miss(meant, at))
    for down, char in enumerate(text):
        above, before = before, row
        row = [before[0] + _miss(text, down)]
        for right, other in enumerate(meant):
            ways = [
                before[right] + (char != other),
                before[right + 1] + _miss(text, down),
                row[right] + _miss(meant, right),
            ]
            if down and right and char == meant[right - 1] and text[down - 1] == other:
                ways.append(above[right - 1] + 1)
            row.append(min(ways))
    return row[-1]


def _miss(word: str, at: int) -> float:
    """The cost of a letter that the other word does not have."""
    return _DOUBLED if at and word[at] == word[at - 1] else _MISSED


# Names of notes, keys and chords in other languages, and what they are called here.
#
# They are not read: German B is B flat, and a drill that took either for the other would be wrong
# in every bar. Whoever writes one is told its name here.

# German and Dutch: H is B; -is sharpens, -es (or -s after a vowel) flattens (common practice).
_GERMAN = {
    "H": "B", "Bes": "Bb",
    "Cis": "C#", "Dis": "D#", "Eis": "E#", "Fis": "F#", "Gis": "G#", "Ais": "A#", "His": "B#",
    "Ces": "Cb", "Des": "Db", "Es": "Eb", "Fes": "Fb", "Ges": "Gb", "As": "Ab",
}  # fmt: skip
# French, Italian and Spanish: fixed syllables (common practice).
_SYLLABLES = {
    "Do": "C", "Ut": "C", "Re": "D", "Ré": "D", "Mi": "E", "Fa": "F", "Sol": "G", "La": "A",
    "Si": "B",
}  # fmt: skip
_NAMES = {**_GERMAN, **_SYLLABLES, **{letter: letter for letter in "ABCDEFG"}}
_SIGNS = {
    **dict.fromkeys(("sharp", "dièse", "diese", "diesis", "sostenido", "#", "♯"), "#"),
    **dict.fromkeys(("flat", "bémol", "bemol", "bemolle", "b", "♭"), "b"),
}
_MODES = {
    **dict.fromkeys(("dur", "majeur", "maggiore", "mayor", "major", "maj"), "major"),
    **dict.fromkeys(("moll", "mineur", "minore", "menor", "minor", "min", "m"), "minor"),
}
_OURS = ("major", "minor", "maj", "min", "m")  # modes that are English too


def _any_of(words: dict[str, str]) -> str:
    return "|".join(map(re.escape, sorted(words, key=len, reverse=True)))


_GAP = r"[\s-]*"
_NOTE = rf"(?P<name>{_any_of(_NAMES)})(?:{_GAP}(?P<sign>{_any_of(_SIGNS)}))?"
_KEY = re.compile(rf"{_NOTE}{_GAP}(?P<mode>{_any_of(_MODES)})?", re.IGNORECASE)
_CHORD = re.compile(rf"{_NOTE}(?P<rest>.*)", re.IGNORECASE)
_OCTAVE = re.compile(r"(-?[0-9])?")
_ANYTHING = re.compile(".*")
_FLAT_B = "B"  # in German
_GERMAN_MODES = ("dur", "moll")


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """A name from another language."""

    said: str  # "Fis is F# here"
    here: tuple[str, ...]  # the whole as it is written here; two where it may mean either
    at: int = 0  # where in the text the first such name stands


def key_elsewhere(text: str) -> Elsewhere | None:
    """What 'Fis', 'F-Dur', 'B moll' or 'Si bémol mineur' is called here; None if it is no such."""
    text = text.strip()
    found = _KEY.fullmatch(text)
    mode = found["mode"].casefold() if found and found["mode"] else ""
    if not found or not (_is_foreign(found) or (mode and mode not in _OURS)):
        return None
    tonic = _here(found)
    ending = f" {_MODES[mode]}" if mode else ""
    if tonic == _FLAT_B and found["name"].upper() == _FLAT_B and mode in _GERMAN_MODES:
        said = "German B is Bb here, German H is B"
        return Elsewhere(said, (f"Bb{ending}", f"B{ending}"))
    whole = f"{tonic}{ending}"
    return Elsewhere(f"{text} is {whole} here{_beside(found)}", (whole,))


def note_elsewhere(text: str) -> Elsewhere | None:
    """What a note's name, with its octave or without, is called here: 'Fis', 'As1', 'Sol'."""
    return _begun(text, _OCTAVE)


def chord_elsewhere(text: str) -> Elsewhere | None:
    """What a chord symbol with such a root or bass would be here, if its rest is one's."""
    parts = text.split("/")
    found = [_begun(part.strip(), _ANYTHING) for part in parts]
    named = [name for name in found if name]
    if not named:
        return None
    whole = "/".join(
        name.here[0] if name else part for name, part in zip(found, parts, strict=True)
    )
    before = "/".join(parts[: found.index(named[0])])
    at = len(before) + 1 if before else len(text) - len(text.lstrip())
    return Elsewhere(", ".join(name.said for name in named), (whole.strip(),), at)


# Qualities as they are said or typed, without spaces and hyphens (common practice): a caret for the
# triangle that no keyboard has, and German and English words.
_QUALITIES = {
    "^": "maj7", "^7": "maj7", "^9": "maj9", "moll": "m", "moll7": "m7", "dur": "", "dur7": "maj7",
    "halfdim": "m7b5", "halfdim7": "m7b5", "halfdiminished": "m7b5", "minor": "m", "minor7": "m7",
    "major": "", "major7": "maj7", "dominant7": "7",
}  # fmt: skip


def nearest_quality(head: str, quality: str, usual: Iterable[str]) -> str:
    """What a root or numeral with 'moll7' or '^7' behind it is on a lead sheet, else which of the
    `usual` qualities is spelled most like it; both with the head."""
    meant = _QUALITIES.get("".join(quality.split()).replace("-", "").casefold())
    if meant is not None:
        return head + meant
    return nearest(head + quality, (head + each for each in usual))


# Chords as files for computers write them: root, a colon, a shorthand, perhaps the degree in the
# bass (Harte et al., "Symbolic representation of musical chords", ISMIR 2005).
_SHORTHANDS = {
    "maj": "", "min": "m", "dim": "dim", "aug": "aug", "maj7": "maj7", "min7": "m7", "7": "7",
    "dim7": "dim7", "hdim7": "m7b5", "minmaj7": "m(maj7)", "maj6": "6", "min6": "m6", "9": "9",
    "maj9": "maj9", "min9": "m9", "sus2": "sus2", "sus4": "sus4", "": "",
}  # fmt: skip
_SHORTHAND = re.compile(r"(?P<root>[A-G][#b]*):(?P<short>[a-z0-9]*)(?:/(?P<bass>[b#]*[1-9]\d?))?")


def from_shorthand(text: str) -> tuple[str, str, str] | None:
    """Root, quality as a lead sheet has it, and the bass's degree, of 'Bb:min7/b3'."""
    found = _SHORTHAND.fullmatch(text.strip())
    if not found or found["short"] not in _SHORTHANDS:
        return None
    return found["root"], _SHORTHANDS[found["short"]], found["bass"] or ""


# Numerals with the figures of thoroughbass, as theory books write inversions, and the degree that
# is the lowest then (Open Music Theory, "Inversion and figured bass").
_FIGURED = re.compile(
    r"(?P<head>[b#♭♯]?[IViv]+[o°ø]?)(?P<figures>6/5|65|6/4|64|4/3|43|4/2|42|2)(?P<rest>/[IViv]+)?"
)
_LOWEST = {"65": (True, 3), "43": (True, 5), "42": (True, 7), "2": (True, 7), "64": (False, 5)}


def figured(text: str) -> str:
    """What 'V6/5', 'V43' and 'I64' of a theory book are here: 'V7/3'; "" where it is no such."""
    found = _FIGURED.fullmatch(text.strip())
    if not found:
        return ""
    seventh, lowest = _LOWEST[found["figures"].replace("/", "")]
    return f"{found['head']}{'7' if seventh else ''}{found['rest'] or ''}/{lowest}"


def _begun(text: str, rest: re.Pattern[str]) -> Elsewhere | None:
    """A text that begins with such a name."""
    found = _CHORD.fullmatch(text)
    if not found or not _is_foreign(found) or not rest.fullmatch(found["rest"]):
        return None
    name = text[: found.start("rest")]
    return Elsewhere(
        f"{name} is {_here(found)} here{_beside(found)}", (_here(found) + found["rest"],)
    )


def _is_foreign(found: re.Match[str]) -> bool:
    """Whether the name, or the word for its sign, is none of ours."""
    return len(found["name"]) > 1 or found["name"] in "Hh" or len(found["sign"] or "") > 1


def _here(found: re.Match[str]) -> str:
    sign = found["sign"] or ""
    return _NAMES[found["name"].capitalize()] + (_SIGNS[sign.casefold()] if sign else "")


def _beside(found: re.Match[str]) -> str:
    """Whoever writes H may mean B flat by B."""
    return " (and German B is Bb)" if found["name"] in "Hh" else ""
