"""Chord symbols in MusicXML.

`kind/@text` holds the symbol as it is printed; the degrees say the same to a program.
"""

from __future__ import annotations

from fractions import Fraction
from xml.etree.ElementTree import Element, SubElement

from drillgen.chart import Span
from drillgen.sheet.elements import pretty, text
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Name


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
    text(element, "kind", chord.kind, {"text": pretty(chord.symbol)})
    if chord.bass is not None:
        _name(SubElement(element, "bass"), "bass", chord.bass)
    for change in chord.alterations:
        degree = SubElement(element, "degree", {"print-object": "no"})
        text(degree, "degree-value", change.degree.number)
        text(degree, "degree-alter", change.musicxml_alter)
        text(degree, "degree-type", change.action)


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
