"""MusicXML 4.0 (W3C): a staff as notation programs read it.

One part, bars in `staff.py`'s order.  Element order follows the schema.  The transposition of an
instrument that is written an octave above its sound is stated in `<transpose>`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from drillgen.chart import Span
from drillgen.drill.meter import Meter
from drillgen.sheet.staff import Measure, Sign, beams
from drillgen.sheet.values import TRIPLET
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Name, Pitch

DIVISIONS = 24  # of a quarter note: holds 32nds and eighth triplets exactly
_DOCTYPE = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)
_DEGREES = re.compile(r"[b#]*\d+( [b#]*\d+)*")
_SIGNS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
_CLEFS = {"bass": ("F", 4), "treble": ("G", 2), "alto": ("C", 3), "tenor": ("C", 4)}


@dataclass(frozen=True, slots=True)
class Heading:
    """What stands over a staff, and how it is read."""

    title: str
    part: str  # the instrument's name
    clef: str = "bass"
    octaves: int = 0  # how much higher it is written than it sounds
    marks: bool = False  # print each note's degree (3, b7, …) under the staff


def musicxml(heading: Heading, measures: Sequence[Measure], meter: Meter) -> str:
    """The text of a MusicXML file."""
    root = ET.Element("score-partwise", version="4.0")
    work = ET.SubElement(root, "work")
    _text(work, "work-title", heading.title)
    identification = ET.SubElement(root, "identification")
    _text(ET.SubElement(identification, "encoding"), "software", "drillgen")
    part = ET.SubElement(ET.SubElement(root, "part-list"), "score-part", id="P1")
    _text(part, "part-name", heading.part)
    body = ET.SubElement(root, "part", id="P1")
    before: Measure | None = None
    for number, measure in enumerate(measures, start=1):
        _measure(body, number, measure, before, heading, meter)
        before = measure
    ET.indent(root)
    return _DOCTYPE + ET.tostring(root, encoding="unicode") + "\n"


def _text(parent: ET.Element, tag: str, content: object, **attributes: str) -> ET.Element:
    element = ET.SubElement(parent, tag, attributes)
    element.text = str(content)
    return element


def _measure(
    body: ET.Element,
    number: int,
    measure: Measure,
    before: Measure | None,
    heading: Heading,
    meter: Meter,
) -> None:
    identity = f"b{measure.bar.number}"
    element = ET.SubElement(body, "measure", number=str(number), id=identity)
    if before is None or before.key_fifths != measure.key_fifths:
        _attributes(element, measure, before, heading, meter)
    spans = list(measure.spans)
    for index, sign in enumerate(measure.signs):
        place = measure.bar.start + sign.piece.start
        while spans and spans[0].start < place + sign.piece.length:
            _harmony(element, spans.pop(0), place)
        _notes(element, sign, f"{identity}n{index}", heading)


def _attributes(
    element: ET.Element, measure: Measure, before: Measure | None, heading: Heading, meter: Meter
) -> None:
    attributes = ET.SubElement(element, "attributes")
    if before is None:
        _text(attributes, "divisions", DIVISIONS)
    key: Key = measure.bar.key
    signature = ET.SubElement(attributes, "key")
    _text(signature, "fifths", measure.key_fifths)
    _text(signature, "mode", key.mode)
    if before is not None:
        return
    time = ET.SubElement(attributes, "time")
    _text(time, "beats", meter.upper)
    _text(time, "beat-type", meter.unit)
    sign, line = _CLEFS[heading.clef]
    clef = ET.SubElement(attributes, "clef")
    _text(clef, "sign", sign)
    _text(clef, "line", line)
    if heading.octaves:
        transpose = ET.SubElement(attributes, "transpose")
        _text(transpose, "diatonic", 0)
        _text(transpose, "chromatic", 0)
        _text(transpose, "octave-change", -heading.octaves)


def _harmony(element: ET.Element, span: Span, place: object) -> None:
    offset = round((span.start - place) * DIVISIONS)  # type: ignore[operator]
    harmony = ET.SubElement(element, "harmony")
    if span.chord is None:
        root = ET.SubElement(harmony, "root")
        _text(root, "root-step", "C", text="")
        _text(harmony, "kind", "none", text="N.C.")
    else:
        _chord(harmony, span.chord)
    if offset > 0:
        _text(harmony, "offset", offset)


def _chord(harmony: ET.Element, chord: Chord) -> None:
    _name(ET.SubElement(harmony, "root"), "root", chord.root)
    pretty = chord.symbol.replace("b", "♭").replace("#", "♯")
    _text(harmony, "kind", chord.kind, text=pretty)
    if chord.bass is not None:
        _name(ET.SubElement(harmony, "bass"), "bass", chord.bass)
    for change in chord.alterations:
        degree = ET.SubElement(harmony, "degree", {"print-object": "no"})
        _text(degree, "degree-value", change.degree.number)
        _text(degree, "degree-alter", change.musicxml_alter)
        _text(degree, "degree-type", change.action)


def _name(element: ET.Element, prefix: str, name: Name) -> None:
    _text(element, f"{prefix}-step", name.letter)
    if name.alter:
        _text(element, f"{prefix}-alter", name.alter)


def _notes(element: ET.Element, sign: Sign, identity: str, heading: Heading) -> None:
    if not sign.pitches:
        note = ET.SubElement(element, "note", id=identity)
        whole = sign.piece.value == "whole" and sign.piece.start == 0
        ET.SubElement(note, "rest", {"measure": "yes"} if whole else {})
        _duration(note, sign)
        if not whole:
            _value(note, sign)
        return
    for index, pitch in enumerate(sign.pitches):
        suffix = f"c{index}" if index else ""
        note = ET.SubElement(element, "note", id=identity + suffix)
        if index:
            ET.SubElement(note, "chord")
        _pitched(note, sign, index, pitch, heading)


def _pitched(note: ET.Element, sign: Sign, index: int, pitch: Pitch, heading: Heading) -> None:
    element = ET.SubElement(note, "pitch")
    _text(element, "step", pitch.name.letter)
    if pitch.name.alter:
        _text(element, "alter", pitch.name.alter)
    _text(element, "octave", pitch.octave)
    _duration(note, sign)
    for tied, kind in ((sign.tied_from, "stop"), (sign.tied_on, "start")):
        if tied:
            ET.SubElement(note, "tie", type=kind)
    _value(note, sign, index)
    if index == 0 and sign.beam:
        for level in range(1, beams(sign) + 1):
            _text(note, "beam", sign.beam, number=str(level))
    _notations(note, sign, index)
    if index == 0 and heading.marks and _DEGREES.fullmatch(sign.mark):
        lyric = ET.SubElement(note, "lyric", number="1")
        _text(lyric, "text", sign.mark.replace("b", "♭").replace("#", "♯"))


def _duration(note: ET.Element, sign: Sign) -> None:
    _text(note, "duration", round(sign.piece.length * DIVISIONS))


def _value(note: ET.Element, sign: Sign, index: int = 0) -> None:
    _text(note, "type", sign.piece.value)
    for _ in range(sign.piece.dots):
        ET.SubElement(note, "dot")
    if index < len(sign.shown) and sign.shown[index].alter is not None:
        shown = sign.shown[index]
        attributes = {"cautionary": "yes", "parentheses": "yes"} if shown.courtesy else {}
        _text(note, "accidental", _SIGNS[shown.alter or 0], **attributes)
    if sign.piece.triplet:
        modification = ET.SubElement(note, "time-modification")
        _text(modification, "actual-notes", TRIPLET[0])
        _text(modification, "normal-notes", TRIPLET[1])


def _notations(note: ET.Element, sign: Sign, index: int) -> None:
    tied = [kind for on, kind in ((sign.tied_from, "stop"), (sign.tied_on, "start")) if on]
    bracket = sign.triplet if index == 0 else ""
    if not tied and not bracket:
        return
    notations = ET.SubElement(note, "notations")
    for kind in tied:
        ET.SubElement(notations, "tied", type=kind)
    if bracket:
        ET.SubElement(notations, "tuplet", type=bracket)
