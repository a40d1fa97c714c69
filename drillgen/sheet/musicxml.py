"""MusicXML 4.0 (W3C): a sheet as notation programs read it.

One part; element order follows the schema.  How an instrument is written is said in `<transpose>`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.etree import ElementTree as ET
from xml.etree.ElementTree import Element, SubElement

from quicktions import Fraction

from drillgen.chart import Span
from drillgen.drill.sheet import Transposition
from drillgen.sheet.layout import BarMarks, SheetBar, pretty
from drillgen.sheet.notation import (
    DIVISIONS,
    Style,
    bar_rest,
    marks_after,
    marks_before,
    note_on_staff,
    note_on_tablature,
    text,
)
from drillgen.sheet.staff import Measure
from drillgen.theory.chord_types import Change
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import MAJOR_FIFTHS, Name, Pitch

# Chord symbols in MusicXML.
#
# `kind/@text` holds the symbol as it is printed, up to the degrees that are printed after it by
# their own elements, as they are everywhere: 7, ♭9, ♯11.  What else a program must know of a symbol
# that says it in a word (7alt, 7sus4, 6/9) is not printed.


def harmony(parent: Element, span: Span, offset: int) -> None:
    """A chord symbol, `offset` divisions to the right of where the measure's music stands."""
    element = SubElement(parent, "harmony")
    if span.chord is None:
        text(SubElement(element, "root"), "root-step", "C", {"text": ""})
        text(element, "kind", "none", {"text": "N.C."})
    else:
        _chord(element, span.chord)
    if offset > 0:
        text(element, "offset", offset)


def _chord(element: Element, chord: Chord) -> None:
    _name(SubElement(element, "root"), "root", chord.root)
    printed = _printed_degrees(chord)
    base = chord.symbol
    if printed:
        base = base[: base.rindex(printed[0].text)].rstrip("(")
    attributes = {"parentheses-degrees": "yes"} if printed and "(" in chord.symbol else {}
    text(element, "kind", chord.kind, {"text": pretty(base), **attributes})
    if chord.bass is not None:
        _name(SubElement(element, "bass"), "bass", chord.bass)
    for change in chord.alterations:
        shown = change in printed
        degree = SubElement(element, "degree", {} if shown else {"print-object": "no"})
        text(degree, "degree-value", change.degree.number)
        text(degree, "degree-alter", change.musicxml_alter)
        word = {"text": "" if change.degree.alter else "add"} if shown else {}
        text(degree, "degree-type", change.action, word)


def _printed_degrees(chord: Chord) -> tuple[Change, ...]:
    """The changes that the end of a symbol spells one by one, as MusicXML's degrees would be."""
    spelled = chord.symbol.replace("(", "").replace(")", "").replace(",", "")
    for first in range(len(chord.alterations)):
        found = chord.alterations[first:]
        plain = all(each.musicxml_alter == each.degree.alter for each in found)
        adds = all(each.action != "subtract" for each in found)
        if plain and adds and spelled.endswith("".join(each.text for each in found)):
            return found
    return ()


def _name(element: Element, prefix: str, name: Name) -> None:
    text(element, f"{prefix}-step", name.letter)
    if name.alter:
        text(element, f"{prefix}-alter", name.alter)


def _goes_on(one: Span | None, other: Span) -> bool:
    """Whether a chord goes on."""
    return one is not None and one.chord == other.chord


def printed(spans: tuple[Span, ...], end: Fraction, before: Span | None) -> tuple[Span, ...]:
    """The chords of a bar whose symbols are printed: those that change; `before` is the one in
    force on the same system."""
    found = []
    for span in spans:
        if span.start < end and not _goes_on(before, span):
            found.append(span)
        before = span
    return tuple(found)


_DOCTYPE = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)
_CLEFS = {"bass": ("F", 4), "treble": ("G", 2), "alto": ("C", 3), "tenor": ("C", 4)}


@dataclass(frozen=True, slots=True)
class Heading:
    """What stands over a sheet, and how it is read."""

    title: str
    part: str  # who reads it
    clef: str
    written: Transposition = field(default_factory=Transposition)
    strings: tuple[Pitch, ...] = ()  # of a tablature, low to high, as they sound
    credits: tuple[tuple[str, str], ...] = ()  # type ("subtitle", "facts", …) and words
    facts: tuple[tuple[str, str], ...] = ()  # name and value, for programs: ("seed", "5")


@dataclass(frozen=True, slots=True)
class Printed:
    """A bar and what stands over it."""

    measure: Measure
    marks: BarMarks


@dataclass(frozen=True, slots=True)
class KeyMusic:
    """The bars of one key, and the style of its notes."""

    printed: tuple[Printed, ...]
    style: Style


def musicxml(heading: Heading, keys: Sequence[KeyMusic]) -> str:
    """The text of a MusicXML file: the bars of each key, one key after another."""
    root = ET.Element("score-partwise", version="4.0")
    text(ET.SubElement(root, "work"), "work-title", heading.title)
    _identification(root, heading)
    for kind, words in heading.credits:
        credit = ET.SubElement(root, "credit", page="1")
        text(credit, "credit-type", kind)
        text(credit, "credit-words", words)
    part = ET.SubElement(ET.SubElement(root, "part-list"), "score-part", id="P1")
    text(part, "part-name", heading.part)
    body = ET.SubElement(root, "part", id="P1")
    bars = _Bars(body, heading)
    for key in keys:
        for index, each in enumerate(key.printed):
            bars.add(each, key.style, begins_key=index == 0)
    ET.indent(root)
    return _DOCTYPE + ET.tostring(root, encoding="unicode") + "\n"


def _identification(root: ET.Element, heading: Heading) -> None:
    identification = ET.SubElement(root, "identification")
    text(ET.SubElement(identification, "encoding"), "software", "drillgen")
    if heading.facts:
        fields = ET.SubElement(identification, "miscellaneous")
        for name, value in heading.facts:
            text(fields, "miscellaneous-field", value, {"name": name})


@dataclass(slots=True)
class _Bars:
    """Writes one bar after another; remembers what is in force."""

    body: ET.Element
    heading: Heading
    before: Measure | None = None

    def add(self, printed: Printed, style: Style, *, begins_key: bool) -> None:
        measure, place = printed.measure, printed.measure.place
        element = ET.SubElement(self.body, "measure", number=str(place.number), id=place.id)
        if place.pickup:
            element.set("implicit", "yes")  # its number is not shown
        self._print(element, new_system=place.new_system or begins_key)
        self._attributes(element, measure)
        _left_barline(element, place)
        marks_before(element, printed.marks)
        _music(element, measure, style)
        marks_after(element, printed.marks)
        if style.staves > 1:
            _second_staff(element, measure, _divisions(measure), style)
        _right_barline(element, measure)
        self.before = measure

    def _print(self, element: ET.Element, *, new_system: bool) -> None:
        """A new system; from the first bar on, each begins with its bar's number."""
        if self.before is None:
            text(ET.SubElement(element, "print"), "measure-numbering", "system")
        elif new_system:
            ET.SubElement(element, "print", {"new-system": "yes"})

    def _attributes(self, element: ET.Element, measure: Measure) -> None:
        first = self.before is None
        changed = first or (self.before is not None and self.before.key != measure.key)
        if not changed:
            return
        attributes = ET.SubElement(element, "attributes")
        if first:
            text(attributes, "divisions", DIVISIONS)
        signature = ET.SubElement(attributes, "key")
        text(signature, "fifths", measure.key.signature)
        text(signature, "mode", measure.key.mode)
        if first:
            _opening(attributes, measure, self.heading)


def _opening(attributes: ET.Element, measure: Measure, heading: Heading) -> None:
    time = ET.SubElement(attributes, "time")
    text(time, "beats", measure.meter.upper)
    text(time, "beat-type", measure.meter.unit)
    tablature = bool(heading.strings)
    if tablature:
        text(attributes, "staves", 2)
    sign, line = _CLEFS[heading.clef]
    clef = ET.SubElement(attributes, "clef", {"number": "1"} if tablature else {})
    text(clef, "sign", sign)
    text(clef, "line", line)
    if tablature:
        _tablature(attributes, heading)
    _transpose(attributes, heading.written)


def _tablature(attributes: ET.Element, heading: Heading) -> None:
    clef = ET.SubElement(attributes, "clef", number="2")
    text(clef, "sign", "TAB")
    text(clef, "line", 5)  # as programs write it, whatever the number of strings (common practice)
    details = ET.SubElement(attributes, "staff-details", number="2")
    text(details, "staff-lines", len(heading.strings))
    for line, string in enumerate(heading.strings, start=1):
        tuning = ET.SubElement(details, "staff-tuning", line=str(line))
        text(tuning, "tuning-step", string.name.letter)
        if string.name.alter:
            text(tuning, "tuning-alter", string.name.alter)
        text(tuning, "tuning-octave", string.octave)


def _transpose(attributes: ET.Element, written: Transposition) -> None:
    """From what is written to what sounds."""
    if not written.semitones:
        return
    octaves, semitones = divmod(written.semitones, 12)
    transpose = ET.SubElement(attributes, "transpose")
    text(transpose, "diatonic", -MAJOR_FIFTHS.index(written.fifths))
    text(transpose, "chromatic", -semitones)
    if octaves:
        text(transpose, "octave-change", -octaves)


def _divisions(measure: Measure) -> int:
    """How long a measure is."""
    return round((measure.place.end - measure.place.start) * DIVISIONS)


def _music(element: ET.Element, measure: Measure, style: Style) -> None:
    place, spans = measure.place, list(measure.spans)
    length = _divisions(measure)
    if not measure.signs:
        for span in spans:
            harmony(element, span, round((span.start - place.start) * DIVISIONS))
        bar_rest(element, length, f"{place.id}n0", style, held=place.held)
    for index, sign in enumerate(measure.signs):
        here = place.bar.start + sign.piece.start
        while spans and spans[0].start < here + sign.piece.length:
            harmony(element, span := spans.pop(0), round((span.start - here) * DIVISIONS))
        note_on_staff(element, sign, f"{place.id}n{index}", style, measure.key.signature)


def _second_staff(element: ET.Element, measure: Measure, length: int, style: Style) -> None:
    text(ET.SubElement(element, "backup"), "duration", length)
    for index, sign in enumerate(measure.signs):
        note_on_tablature(element, sign, f"{measure.place.id}n{index}", style)
    if not measure.signs:
        note = ET.SubElement(element, "note", {"print-object": "no"})
        ET.SubElement(note, "rest", measure="yes")
        text(note, "duration", length)
        text(note, "voice", 5)
        text(note, "staff", 2)


def _left_barline(element: ET.Element, place: SheetBar) -> None:
    if not place.opens_repeat and not place.begins_ending:
        return
    barline = ET.SubElement(element, "barline", location="left")
    if place.opens_repeat:
        text(barline, "bar-style", "heavy-light")
    if place.begins_ending:
        words = f"{place.ending}."
        text(barline, "ending", words, {"number": place.ending.replace(" ", ""), "type": "start"})
    if place.opens_repeat:
        ET.SubElement(barline, "repeat", direction="forward")


def _right_barline(element: ET.Element, measure: Measure) -> None:
    place = measure.place
    closes = place.times or place.goes_back
    if not place.barline and not closes and not place.ends_ending:
        return
    barline = ET.SubElement(element, "barline", location="right")
    if closes or place.barline:
        text(barline, "bar-style", "light-heavy" if closes else place.barline)
    if place.ends_ending:
        kind = "stop" if place.goes_back else "discontinue"
        number = place.ending.replace(" ", "")
        ET.SubElement(barline, "ending", number=number, type=kind)
    if closes:
        repeat = ET.SubElement(barline, "repeat", direction="backward")
        if place.times:
            repeat.set("times", str(place.times))
