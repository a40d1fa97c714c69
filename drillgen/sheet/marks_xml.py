"""What stands over a bar, in MusicXML: `<direction>`s."""

from __future__ import annotations

from xml.etree.ElementTree import Element, SubElement

from drillgen.sheet.directions import Marks, TempoMark
from drillgen.sheet.elements import text
from drillgen.sheet.values import TRIPLET


def marks_over(measure: Element, marks: Marks, divisions: int) -> None:
    """Key, section, tempo, whose turn it is, and how often; the bar is `divisions` long."""
    if marks.key:
        text(_over(measure), "words", marks.key, {"font-weight": "bold", "enclosure": "rectangle"})
    if marks.rehearsal:
        text(_over(measure), "rehearsal", marks.rehearsal, {"enclosure": "square"})
    if marks.tempo:
        _tempo(measure, marks.tempo)
    if marks.words:
        text(_over(measure), "words", marks.words, {"font-style": "italic"})
    if marks.times:
        _repeated(measure, marks.times, divisions)


def _repeated(measure: Element, times: int, divisions: int) -> None:
    """How often a repeat is played, over its end, `divisions` from where the measure begins."""
    direction = SubElement(measure, "direction", placement="above")
    over = SubElement(direction, "direction-type")
    text(over, "words", f"×{times}", {"halign": "right", "font-weight": "bold"})
    text(direction, "offset", divisions)


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
