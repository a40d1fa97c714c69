"""Notes, and what stands over a bar, in MusicXML.

The order of elements follows the W3C schema.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple
from xml.etree.ElementTree import Element, SubElement

from drillgen.score import Note
from drillgen.sheet.layout import BarMarks, TempoMark
from drillgen.sheet.staff import Sign, in_signature, rows_of
from drillgen.sheet.values import TRIPLET
from drillgen.theory.pitch import Name, Pitch

# XML elements with text, as MusicXML's writers need them.


def text(
    parent: Element, tag: str, content: object, attributes: Mapping[str, str] | None = None
) -> Element:
    """A child that holds a text."""
    element = SubElement(parent, tag, dict(attributes or {}))
    element.text = str(content)
    return element


DIVISIONS = 48  # of a quarter note: holds 64ths and triplets of sixteenths exactly
_SIGNS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
# The middle line of a staff, where slashes lie; as the signature has it, or programs print a sign
# beside each.
MIDDLE = {
    "bass": Pitch.parse("D3"),
    "treble": Pitch.parse("B4"),
    "alto": Pitch.parse("C4"),
    "tenor": Pitch.parse("A3"),
}


@dataclass(frozen=True, slots=True)
class Row:
    """A row of text under the staff, a word a note."""

    name: str  # "finger", "string", "position", "degree"
    texts: Mapping[Note, str]


class Fret(NamedTuple):
    """Where a note lies on a tablature."""

    string: int  # 1 is the highest
    fret: int  # 0 is open


@dataclass(frozen=True, slots=True)
class Style:
    """What the notes of a whole sheet have in common."""

    clef: str
    rows: Sequence[Row] = ()
    frets: Mapping[Note, Fret] | None = None  # of a tablature under the staff

    @property
    def staves(self) -> int:
        return 1 if self.frets is None else 2


def note_on_staff(parent: Element, sign: Sign, identity: str, style: Style, signature: int) -> None:
    """A sign on the staff: a note or chord with its rows, a rest, or a slash, under a signature of
    so many sharps (negative: flats)."""
    if not sign.notes:
        _silent(parent, sign, identity, style, signature)
        return
    for index, pitch in enumerate(sign.pitches):
        note = SubElement(parent, "note", id=identity + (f"c{index}" if index else ""))
        if index:
            SubElement(note, "chord")
        _pitch(note, pitch)
        _duration(note, sign)
        _ties(note, sign)
        _value(note, sign, style, index)
        if index == 0:
            _beams(note, sign)
        _notations(note, sign, index)
        if index == 0:
            _lyrics(note, sign, style.rows)


def bar_rest(parent: Element, divisions: int, identity: str, style: Style, *, held: bool) -> None:
    """A bar of rest, or what stands for a bar of slashes."""
    note = SubElement(parent, "note", id=identity)
    SubElement(note, "rest", measure="yes")
    text(note, "duration", divisions)
    text(note, "voice", 1)
    if style.staves > 1:
        text(note, "staff", 1)
    if held:
        SubElement(SubElement(note, "notations"), "fermata")


def note_on_tablature(parent: Element, sign: Sign, identity: str, style: Style) -> None:
    """The same sign on the second staff: strings and frets; rests are not shown there."""
    if not sign.notes:
        note = SubElement(parent, "note", {"print-object": "no", "id": f"{identity}t"})
        SubElement(note, "rest")
        _tab_value(note, sign)
        return
    for index, (played, pitch) in enumerate(zip(sign.notes, sign.pitches, strict=True)):
        note = SubElement(parent, "note", id=f"{identity}t" + (f"c{index}" if index else ""))
        if index:
            SubElement(note, "chord")
        _pitch(note, pitch)
        _duration(note, sign)
        _ties(note, sign)
        _tab_value(note, sign, timed=False)
        if style.frets is not None:
            _fret(note, style.frets[played], sign)


def _fret(note: Element, fret: Fret, sign: Sign) -> None:
    notations = SubElement(note, "notations")
    _tied(notations, sign)
    technical = SubElement(notations, "technical")
    text(technical, "string", fret.string)
    text(technical, "fret", fret.fret)


def _tab_value(note: Element, sign: Sign, *, timed: bool = True) -> None:
    if timed:
        _duration(note, sign)
    text(note, "voice", 5)
    _length(note, sign)
    text(note, "stem", "none")
    text(note, "staff", 2)


def _silent(parent: Element, sign: Sign, identity: str, style: Style, signature: int) -> None:
    attributes = {"id": identity}
    attributes |= {"dynamics": "0"} if sign.slash else {}  # it makes no sound
    attributes |= {"print-object": "no"} if sign.hidden else {}
    note = SubElement(parent, "note", attributes)
    if sign.slash:
        middle = MIDDLE[style.clef]
        alter = in_signature(middle.name.letter, signature)
        _pitch(note, Pitch(Name.of(middle.name.letter, alter), middle.octave))
    else:
        SubElement(note, "rest")
    _duration(note, sign)
    _ties(note, sign)
    _value(note, sign, style)
    _notations(note, sign, 0)


def _pitch(note: Element, pitch: Pitch) -> None:
    element = SubElement(note, "pitch")
    text(element, "step", pitch.name.letter)
    if pitch.name.alter:
        text(element, "alter", pitch.name.alter)
    text(element, "octave", pitch.octave)


def _duration(note: Element, sign: Sign) -> None:
    text(note, "duration", round(sign.piece.length * DIVISIONS))


def _ties(note: Element, sign: Sign) -> None:
    for kind in _tie_kinds(sign):
        SubElement(note, "tie", type=kind)


def _tie_kinds(sign: Sign) -> Iterator[str]:
    if sign.tied_from:
        yield "stop"
    if sign.tied_on:
        yield "start"


def _value(note: Element, sign: Sign, style: Style, index: int = 0) -> None:
    text(note, "voice", 1)
    _length(note, sign, index)
    if sign.slash:
        text(note, "stem", "none")
        text(note, "notehead", "slash")
    if style.staves > 1:
        text(note, "staff", 1)


def _length(note: Element, sign: Sign, index: int | None = None) -> None:
    text(note, "type", sign.piece.value)
    for _ in range(sign.piece.dots):
        SubElement(note, "dot")
    if index is not None and index < len(sign.shown) and sign.shown[index].alter is not None:
        shown = sign.shown[index]
        attributes = {"cautionary": "yes", "parentheses": "yes"} if shown.courtesy else {}
        text(note, "accidental", _SIGNS[shown.alter or 0], attributes)
    if sign.piece.triplet:
        modification = SubElement(note, "time-modification")
        text(modification, "actual-notes", TRIPLET[0])
        text(modification, "normal-notes", TRIPLET[1])


def _beams(note: Element, sign: Sign) -> None:
    for level, beam in enumerate(sign.beams, start=1):
        text(note, "beam", beam, {"number": str(level)})


def _notations(note: Element, sign: Sign, index: int) -> None:
    bracket = sign.triplet if index == 0 else ""
    fermata = sign.fermata and index == 0
    if not (sign.tied_from or sign.tied_on or bracket or fermata):
        return
    notations = SubElement(note, "notations")
    _tied(notations, sign)
    if bracket:
        SubElement(notations, "tuplet", type=bracket)
    if fermata:
        SubElement(notations, "fermata")


def _tied(notations: Element, sign: Sign) -> None:
    for kind in _tie_kinds(sign):
        SubElement(notations, "tied", type=kind)


def _lyrics(note: Element, sign: Sign, rows: Sequence[Row]) -> None:
    for number, row in enumerate(rows, start=1):
        if words := rows_of(sign, row.texts):
            lyric = SubElement(note, "lyric", number=str(number), name=row.name)
            text(lyric, "text", words)


# What stands over a bar, in MusicXML: `<direction>`s, where they are said.


def marks_before(measure: Element, marks: BarMarks) -> None:
    """Before a bar's music: key, section, tempo, whose turn it is, and what a jump leads to."""
    if marks.key:
        text(_over(measure), "words", marks.key, {"font-weight": "bold", "enclosure": "rectangle"})
    if marks.rehearsal:
        text(_over(measure), "rehearsal", marks.rehearsal, {"enclosure": "square"})
    if marks.tempo:
        _tempo(measure, marks.tempo)
    if marks.words:
        text(_over(measure), "words", marks.words, {"font-style": "italic"})
    for sign, token in marks.jumps:
        if sign not in JUMPS:
            _jump(measure, sign, token)


def marks_after(measure: Element, marks: BarMarks) -> None:
    """After it: how often it is played, and where to go on."""
    if marks.times:
        over = _over(measure)
        text(over, "words", f"×{marks.times}", {"halign": "right", "font-weight": "bold"})
    for sign, token in marks.jumps:
        if sign in JUMPS:
            _jump(measure, sign, token)


# By its sound's name, and what it leads to, the words of a jump. Their sign stands beside "To Coda"
# as an element of its own; a space that does not break keeps programs from counting word and sign
# as two codas.
JUMPS = {
    "tocoda": "To\u00a0Coda",
    "dacapo": "D.C. al Coda",
    "dalsegno": "D.S. al Coda",
    "fine": "Fine",
    "dacapo al fine": "D.C. al Fine",
    "dalsegno al fine": "D.S. al Fine",
}


def _jump(measure: Element, sign: str, token: str) -> None:
    """A sign or the words of a jump, and what is played there."""
    direction = SubElement(measure, "direction", placement="above")
    if words := JUMPS.get(sign):
        over = SubElement(direction, "direction-type")
        text(over, "words", words, {"halign": "right", "font-weight": "bold"})
    if sign in ("segno", "coda", "tocoda"):
        SubElement(SubElement(direction, "direction-type"), sign.removeprefix("to"))
    sound = sign.partition(" ")[0]
    SubElement(direction, "sound", {sound: "yes" if sound in ("dacapo", "fine") else token})


def _over(measure: Element) -> Element:
    """A direction above the staff; its type is what is written into it."""
    direction = SubElement(measure, "direction", placement="above")
    return SubElement(direction, "direction-type")


def _tempo(measure: Element, tempo: TempoMark) -> None:
    direction = SubElement(measure, "direction", placement="above")
    text(
        SubElement(direction, "direction-type"), "words", f"{tempo.feel} ", {"font-weight": "bold"}
    )
    if tempo.swing:
        _as_triplet(SubElement(SubElement(direction, "direction-type"), "metronome"))
    metronome = SubElement(SubElement(direction, "direction-type"), "metronome")
    text(metronome, "beat-unit", "quarter")
    if tempo.dotted:
        SubElement(metronome, "beat-unit-dot")
    text(metronome, "per-minute", tempo.per_minute)
    sound = SubElement(direction, "sound", tempo=f"{tempo.quarters:g}")
    _swing(SubElement(sound, "swing"), tempo.swing)


def _swing(swing: Element, ratio: tuple[int, int] | None) -> None:
    if ratio is None:
        SubElement(swing, "straight")
        return
    for name, share in zip(("first", "second"), ratio, strict=True):
        text(swing, name, share)
    text(swing, "swing-type", "eighth")


def _as_triplet(metronome: Element) -> None:
    """Two eighths are played as a triplet's quarter and eighth."""
    for place in ("begin", "end"):
        note = SubElement(metronome, "metronome-note")
        text(note, "metronome-type", "eighth")
        text(note, "metronome-beam", place, {"number": "1"})
    text(metronome, "metronome-relation", "equals")
    for value, place in (("quarter", "start"), ("eighth", "stop")):
        note = SubElement(metronome, "metronome-note")
        text(note, "metronome-type", value)
        tuplet = SubElement(note, "metronome-tuplet", type=place, bracket="yes")
        text(tuplet, "actual-notes", TRIPLET[0])
        text(tuplet, "normal-notes", TRIPLET[1])
