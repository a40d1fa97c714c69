"""Degrees under the staff: each note's over its chord, and the ones that a line aims at in circles.

A target is what an approach leads to, or a tone of the chord on which it begins.  In MusicXML it
has Unicode's circled figure, which any program shows; in our own pictures the circle is drawn.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from xml.etree import ElementTree as ET

from drillgen.chart import Chart, Span
from drillgen.score import Note, Part
from drillgen.sheet.notation import Row, pretty
from drillgen.theory.pitch import Degree, degree_over

_APPROACH = "approach"
_FIGURES = {str(number): chr(0x245F + number) for number in range(1, 14)}  # 1 is U+2460
_PLAIN = {ord(circled): number for number, circled in _FIGURES.items()}
_CIRCLED = "".join(_FIGURES.values())
_DEGREES = re.compile(rf"[b#]*(\d+|[{_CIRCLED}])( [b#]*\d+)*")
_SHOWN = re.compile(rf"{_DEGREES.pattern}|-?[mMPAd]\d+")  # or an interval's name
_RADIUS = 0.66  # of a circle, in sizes of the text
_RAISED = 0.33  # … its middle over the text's line


def degrees(notes: Sequence[Note]) -> Row:
    """Each note's degree or interval, where its mark is one."""
    marked = {note: pretty(note.mark) for note in notes if _SHOWN.fullmatch(note.mark)}
    return Row("degree", marked)


def annotated(chart: Chart, line: Part) -> Part:
    """The line at concert pitch with a degree for every note's mark, but for approaches: its own,
    else the one over its chord; targets circled."""
    notes: list[Note] = []
    before = ""
    kind = chart.drill.line
    of_chords = kind is not None and (kind.of_chords or kind.is_bass)
    for note in line.notes:
        span = _span(chart, note)
        mark = _degree(note, span, of_chords=of_chords)
        if mark and (before == _APPROACH or _begins_on_a_tone(note, span)):
            mark = circled(mark)
        notes.append(replace(note, mark=mark))
        before = note.mark
    return replace(line, notes=tuple(notes))


def circled(degree: str) -> str:
    """'b3' with its figure in a circle."""
    figure = degree.lstrip("b#")
    return degree.removesuffix(figure) + _FIGURES.get(figure, figure)


def draw_circles(group: ET.Element) -> None:
    """Round each circled figure under the staff, which the sheet's font does not have."""
    for parent in list(group.iter("g")):
        for text in parent.findall("text"):
            words = text.text or ""
            if any(ord(letter) in _PLAIN for letter in words):
                text.text = words.translate(_PLAIN)
                parent.append(_circle(text))


def _circle(text: ET.Element) -> ET.Element:
    size = float(text.attrib["font-size"])
    attributes = {
        "cx": text.attrib["x"],
        "cy": f"{float(text.attrib['y']) - _RAISED * size:g}",
        "r": f"{_RADIUS * size:g}",
        "fill": "none",
        "stroke": "currentColor",
        "stroke-width": f"{size / 20:g}",
    }
    return ET.Element("circle", attributes)


def _span(chart: Chart, note: Note) -> Span | None:
    spans = chart.bar_at(note.start).spans
    return next((span for span in spans if span.start <= note.start < span.end), None)


def _degree(note: Note, span: Span | None, *, of_chords: bool) -> str:
    """Its own where it has one that says what it is: the bass of C/E is marked as 1, and is a 3."""
    over = degree_over(span.chord.root, note.pitch.name) if span and span.chord else None
    if note.mark == _APPROACH:
        return ""
    if _DEGREES.fullmatch(note.mark) and (over is None or not of_chords):
        return note.mark
    if over is None:
        return ""
    own = Degree.parse(note.mark) if _DEGREES.fullmatch(note.mark) else over
    return str(own if (own.semitones - over.semitones) % 12 == 0 else over)


def _begins_on_a_tone(note: Note, span: Span | None) -> bool:
    """Whether a note stands where its chord begins, and is a tone of it."""
    if span is None or span.chord is None or note.start != span.start:
        return False
    return note.pitch.name.pitch_class in {name.pitch_class for name in span.chord.names}
