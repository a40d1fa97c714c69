"""Scores in MusicXML 4.0 (W3C), plain or compressed (.mxl), as measures in the order written.

Of the first part that has chord symbols: these, its notes and its rests.  A part for a transposing
instrument is read as it sounds.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from quicktions import Fraction

from drillgen.drill.bars import METERS, Meter, exact
from drillgen.drill.files import read_data
from drillgen.drill.messages import RefusedError, listed, refuse, show
from drillgen.theory.chord_types import KINDS, ascending
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Key, Mode, Name, Pitch

if TYPE_CHECKING:  # few drills name a lead sheet: what reads one is imported when it is met
    from xml.etree import ElementTree as ET
    from zipfile import ZipFile

LARGEST = 20 << 20  # bytes, also of what a compressed file becomes
NO_CHORD = "N.C."
_CONTAINER = "META-INF/container.xml"
_ALLOWED = "a lead sheet in MusicXML (.musicxml, .mxl), as notation editors export it"
_LEADING = {"major": 0, "minor": 3}  # fifths from the signature to the tonic


@dataclass(slots=True)
class ScoreMeasure:
    """A measure as it is written."""

    number: str
    meter: Meter
    chords: list[tuple[Fraction, str]] = field(default_factory=list)  # quarter notes, symbol
    notes: list[tuple[Fraction, Pitch | None, bool]] = field(default_factory=list)  # tied on
    voices: set[str] = field(default_factory=set)
    length: Fraction = Fraction(0)
    forward: bool = False
    backward: int = 0  # how often the repeat is played; 0 where none ends here
    ending: frozenset[int] = frozenset()
    marks: set[str] = field(default_factory=set)  # _SIGNS, and whether a jump is al fine, al coda
    rehearsal: str = ""

    def refuse(self, message: str, allowed: str = "") -> RefusedError:
        return refuse(f"measure {self.number}: {message}", allowed)


@dataclass(frozen=True, slots=True)
class ReadScore:
    """A score's measures, without the pick-up before them."""

    key: Key
    meter: Meter
    measures: tuple[ScoreMeasure, ...]
    pickup: ScoreMeasure | None


def read_score(path: Path) -> ReadScore:
    """Raises RefusedError."""
    data = read_data(path, LARGEST)
    if len(data) > LARGEST:
        raise refuse("the file is too large for a lead sheet", f"up to {LARGEST >> 20} MB")
    if data[:4] == b"MThd":
        raise refuse("a MIDI file has no chord symbols", _ALLOWED)
    root = _score(data)
    if root.tag != "score-partwise":
        raise refuse("this is no score in MusicXML by parts", _ALLOWED)
    parts = root.findall("part")
    part = next((each for each in parts if each.find(".//harmony") is not None), None)
    if part is None:
        raise refuse("the score has no chord symbols", _ALLOWED)
    reading = _Reading()
    measures = [reading.measure(each) for each in part.findall("measure")]
    if not measures:
        raise refuse("the score has no measures", _ALLOWED)
    short = len(measures) > 1 and 0 < measures[0].length < reading.meter.bar
    pickup, measures = (measures[0], measures[1:]) if short else (None, measures)
    return ReadScore(reading.key, reading.meter, tuple(measures), pickup)


def _score(data: bytes) -> ET.Element:
    import zipfile
    from xml.etree import ElementTree as ET

    if zipfile.is_zipfile(io.BytesIO(data)):
        data = _unpacked(data)
    if b"<!ENTITY" in data:
        raise refuse("the file declares entities, which no score needs", _ALLOWED)
    try:
        return ET.fromstring(data)
    except (ET.ParseError, ValueError, LookupError) as error:
        raise refuse(f"the file is not readable as XML ({error})", _ALLOWED) from None


def _unpacked(data: bytes) -> bytes:
    """The score in a compressed file: the first that its container names (MusicXML 4.0, .mxl)."""
    import zipfile
    from xml.etree import ElementTree as ET

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            container = ET.fromstring(_member(packed, _CONTAINER))
            name = next(each.get("full-path", "") for each in container.iter("rootfile"))
            return _member(packed, name)
    except (zipfile.BadZipFile, KeyError, StopIteration, ET.ParseError, OSError, RuntimeError,
            NotImplementedError, ValueError) as error:  # fmt: skip
        raise refuse(f"the file is no compressed score ({error})", _ALLOWED) from None


def _member(packed: ZipFile, name: str) -> bytes:
    if packed.getinfo(name).file_size > LARGEST:
        raise refuse("the score in the file is too large", f"up to {LARGEST >> 20} MB")
    with packed.open(name) as file:
        return file.read(LARGEST + 1)


# From XML to measures.

_WORDS = {
    "dacapo": r"\bD\.? ?C\.?(?!\w)|\bda capo\b",
    "dalsegno": r"\bD\.? ?S\.?(?!\w)|\bdal segno\b",
    "tocoda": r"\bto coda\b",
    "fine": r"^\s*fine\s*$",
    "alfine": r"\bal fine\b",
    "alcoda": r"\bal coda\b",
}  # common practice
_SIGNS = ("segno", "coda", "tocoda", "fine", "dacapo", "dalsegno")


class _Reading:
    """What a measure takes over from those before it."""

    def __init__(self) -> None:
        self.meter = METERS["4/4"]
        self.key = Key(Name.parse("C"))
        self._divisions = Fraction(1)
        self._fifths = 0  # from what is written to what sounds
        self._semitones = 0
        self._ending: frozenset[int] = frozenset()
        self._first: dict[str, bool] = {}

    def measure(self, element: ET.Element) -> ScoreMeasure:
        found = ScoreMeasure(element.get("number", "?"), self.meter)
        at = Fraction(0)
        ends = False
        for each in element:
            if each.tag == "attributes":
                self._attributes(each, found)
            elif each.tag == "harmony":
                self._harmony(each, found, at)
            elif each.tag in ("direction", "sound"):
                found.marks |= set(_marks(each))
                found.rehearsal = each.findtext(".//rehearsal", "").strip() or found.rehearsal
            elif each.tag == "barline":
                ends |= self._barline(each, found)
            elif each.tag == "note":
                at = self._note(each, found, at)
            elif each.tag in ("backup", "forward"):
                at += self._quarters(each, found) * (1 if each.tag == "forward" else -1)
            found.length = max(found.length, at)
        found.meter = self.meter
        found.ending = found.ending or self._ending
        if ends:
            self._ending = frozenset()
        return found

    def _attributes(self, element: ET.Element, found: ScoreMeasure) -> None:
        self._divisions = _number(element, "divisions", found) or self._divisions
        if (transpose := element.find("transpose")) is not None:
            chromatic = int(_number(transpose, "chromatic", found) or 0)
            diatonic = int(_number(transpose, "diatonic", found) or 0)
            octaves = int(_number(transpose, "octave-change", found) or 0)
            self._fifths = 7 * chromatic - 12 * diatonic
            self._semitones = chromatic + 12 * octaves
        if (key := element.find("key")) is not None and not self._again("key"):
            self.key = self._key(key, found)
        if (time := element.find("time")) is not None:
            text = f"{time.findtext('beats', '')}/{time.findtext('beat-type', '')}"
            if text not in METERS:
                raise found.refuse(f"the meter {show(text)}", listed(METERS))
            if self._again("time") and METERS[text] != self.meter:
                raise found.refuse("the meter changes", "one meter throughout")
            self.meter = METERS[text]

    def _again(self, what: str) -> bool:
        known, self._first[what] = self._first.get(what, False), True
        return known

    def _key(self, element: ET.Element, found: ScoreMeasure) -> Key:
        fifths = int(_number(element, "fifths", found) or 0)
        mode: Mode = "minor" if element.findtext("mode", "").strip() == "minor" else "major"
        return Key(Name(fifths + _LEADING[mode] + self._fifths), mode).simplest

    def _quarters(self, element: ET.Element, found: ScoreMeasure) -> Fraction:
        return (_number(element, "duration", found) or Fraction(0)) / self._divisions

    def _harmony(self, element: ET.Element, found: ScoreMeasure, at: Fraction) -> None:
        offset = (_number(element, "offset", found) or Fraction(0)) / self._divisions
        text = _chord(element, found, self._fifths)
        if all(start != at + offset for start, _ in found.chords):  # of two, the first
            found.chords.append((at + offset, text))

    def _note(self, element: ET.Element, found: ScoreMeasure, at: Fraction) -> Fraction:
        if element.find("grace") is not None:
            return at
        length = self._quarters(element, found)
        silent = element.find("rest") is not None or element.find("unpitched") is not None
        if element.find("chord") is not None:
            found.voices |= {"chord"} if not silent else set()
            return at
        voice = element.findtext("voice", "1").strip()
        slash = element.findtext("notehead", "").strip() == "slash"
        if silent or slash:
            pitch = None
        else:
            found.voices.add(voice)
            pitch = self._pitch(element, found)
        if voice == "1" or (pitch is not None and found.voices == {voice}):
            tied = any(tie.get("type") == "start" for tie in element.findall("tie"))
            found.notes.append((length, pitch, tied))
        return at + length

    def _pitch(self, element: ET.Element, found: ScoreMeasure) -> Pitch:
        written = element.find("pitch")
        if written is None:
            raise found.refuse("a note has no pitch")
        name = _name(written, "step", "alter", found)
        octave = int(_number(written, "octave", found) or 0)
        midi = Pitch(name, octave).midi + self._semitones
        return Pitch.near(Name(name.fifths + self._fifths), midi)

    def _barline(self, element: ET.Element, found: ScoreMeasure) -> bool:
        """Whether an ending stops here."""
        repeat, ending = element.find("repeat"), element.find("ending")
        if repeat is not None and repeat.get("direction") == "forward":
            found.forward = True
        elif repeat is not None:
            times = repeat.get("times", "2")
            found.backward = int(times) if times.isdecimal() and len(times) < 3 else 2
        if ending is None:
            return False
        if ending.get("type") == "start":
            numbers = re.findall(r"\d{1,2}", ending.get("number", "1"))
            self._ending = found.ending = frozenset(map(int, numbers)) or frozenset((1,))
        return ending.get("type") in ("stop", "discontinue")


def _number(element: ET.Element, tag: str, found: ScoreMeasure) -> Fraction | None:
    text = element.findtext(tag)
    if text is None or not text.strip():
        return None
    try:
        return exact(text.strip())
    except (ValueError, ZeroDivisionError):
        raise found.refuse(f"{show(text)} is no number of {tag}") from None


def _name(element: ET.Element, step: str, alter: str, found: ScoreMeasure) -> Name:
    letter = element.findtext(step, "").strip().upper()
    change = int(_number(element, alter, found) or 0)
    if letter not in set("ABCDEFG") or abs(change) > 2:
        raise found.refuse(f"{show(letter)} is no note", "A to G, up to two accidentals")
    return Name.parse(letter + "#" * change + "b" * -change)


def _marks(element: ET.Element) -> Iterator[str]:
    """The jumps, and what they lead to, of a direction or a sound."""
    for sound in element.iter("sound"):
        yield from (sign for sign in _SIGNS if sound.get(sign) not in (None, "no"))
    for sign in ("segno", "coda"):
        if element.find(f"direction-type/{sign}") is not None and not list(element.iter("sound")):
            yield sign
    for words in element.iter("words"):
        text = words.text or ""
        yield from (sign for sign, like in _WORDS.items() if re.search(like, text, re.IGNORECASE))


def _chord(element: ET.Element, found: ScoreMeasure, fifths: int) -> str:
    """A chord as it sounds, in this language's words."""
    kind = element.findtext("kind", "").strip()
    root = element.find("root")
    if kind == "none":
        return NO_CHORD
    if root is None or kind not in KINDS:
        what = f"the kind {show(kind)}" if root is not None else "a chord without its root"
        raise found.refuse(f"{what} is no chord symbol", "roots and kinds of MusicXML 4.0")
    name = _name(root, "root-step", "root-alter", found)
    bass = element.find("bass")
    under = _name(bass, "bass-step", "bass-alter", found) if bass is not None else None
    try:
        degrees = _degrees(element, kind, found)
        return Chord.of(name, degrees, under).transposed(fifths).text
    except ValueError:
        raise found.refuse(f"no chord symbol says {name} {kind} with its degrees") from None


def _degrees(element: ET.Element, kind: str, found: ScoreMeasure) -> tuple[Degree, ...]:
    """A kind's degrees with what is added, altered or subtracted.  An added seventh is a dominant's
    where it is not altered; an alteration counts from the degree that the kind has (MusicXML 4.0,
    `degree-alter`)."""
    degrees = {degree.number: degree for degree in KINDS[kind]}
    more: list[Degree] = []
    for each in element.findall("degree"):
        number = int(_number(each, "degree-value", found) or 0)
        alter = int(_number(each, "degree-alter", found) or 0)
        how = each.findtext("degree-type", "add").strip()
        if not 1 <= number <= 13 or abs(alter) > 2:
            raise found.refuse(f"a chord's degree {number}", "1 to 13")
        if how == "subtract":
            degrees.pop(number, None)
        elif how == "alter" and number in degrees:
            degrees[number] = Degree(number, degrees[number].alter + alter)
        else:
            more.append(Degree(number, alter - (number == 7)))
    return ascending([*degrees.values(), *more])
