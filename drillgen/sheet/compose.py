"""From a track to the bars of a sheet: what fills each, which chords are named, what is over it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from drillgen.chart import Bar, Chart, Span
from drillgen.score import Note, Part, Score
from drillgen.sheet.directions import Marks, is_listened_to, marks
from drillgen.sheet.harmony import printed as changing
from drillgen.sheet.layout import KeyPart, Place, by_bar, key_parts
from drillgen.sheet.musicxml import KeyMusic, Printed
from drillgen.sheet.notation import Row, Style
from drillgen.sheet.reader import Reader, read_by
from drillgen.sheet.rows import degrees, fingerings, tablature
from drillgen.sheet.staff import Filling, Measure, measure, with_accidentals
from drillgen.theory.pitch import Pitch


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is printed, and for whom."""

    reader: Reader
    line: bool  # else slashes
    chords: bool
    degrees: bool = False  # under the notes
    hands: bool = False  # the fingering and tablature that the drill asks for


@dataclass(frozen=True, slots=True)
class Composed:
    """One key of a sheet."""

    label: str  # "B♭ major", as the reader sees it
    music: KeyMusic
    shown_in: tuple[tuple[str, str], ...]  # a bar's id, and the id of the measure that shows it
    strings: tuple[Pitch, ...]  # of a tablature


def compose(score: Score, wanted: Wanted, prefix: str) -> Iterator[Composed]:
    """The keys of a track, `prefix` before their ids.  Raises FingeringError."""
    chart, line = score.chart, score.part("line") if wanted.line else None
    line = line and read_by(chart, line, wanted.reader)
    sounding = by_bar(chart, line.notes if line else ())
    style, strings = _style(chart, line, wanted)
    for part in key_parts(chart, sounding, prefix):
        label = wanted.reader.key(part.key).pretty
        printed = tuple(_bars(chart, part, sounding, wanted, label))
        yield Composed(label, KeyMusic(printed, style), part.shown_in, strings)


def _style(chart: Chart, line: Part | None, wanted: Wanted) -> tuple[Style, tuple[Pitch, ...]]:
    """Rows and tablature, and the strings of the latter."""
    clef = wanted.reader.clef
    if line is None:
        return Style(clef), ()
    rows: tuple[Row, ...] = (degrees(line.notes),) if wanted.degrees else ()
    if not wanted.hands:
        return Style(clef, rows), ()
    rows += fingerings(chart, line)
    if not chart.drill.sheet.tablature:
        return Style(clef, rows), ()
    frets, strings = tablature(chart, line)
    return Style(clef, rows, frets), strings


def _bars(
    chart: Chart,
    part: KeyPart,
    sounding: Mapping[int, Sequence[Note]],
    wanted: Wanted,
    label: str,
) -> Iterator[Printed]:
    measures = list(with_accidentals(list(_measures(chart, part, sounding, wanted))))
    over = list(_marks(chart, part, wanted, label))
    for found, above in zip(measures, over, strict=True):
        yield Printed(found, above)


def _measures(
    chart: Chart, part: KeyPart, sounding: Mapping[int, Sequence[Note]], wanted: Wanted
) -> Iterator[Measure]:
    before: Span | None = None  # the chord in force whose symbol is in sight
    for place in part.places:
        if place.new_system:
            before = None
        notes = sounding.get(place.bar.number, ())
        spans: tuple[Span, ...] = ()
        if wanted.chords and not place.pickup and place.bar.spans:
            spans = changing(place.bar.spans, place.end, before)
            before = place.bar.spans[-1]
        filling = _filling(chart, place.bar, wanted)
        yield measure(place, notes, filling, spans, wanted.reader, chart.drill.meter)


def _filling(chart: Chart, bar: Bar, wanted: Wanted) -> Filling:
    """Slashes mean "play": a bar to listen to has a rest."""
    drill = chart.drill
    if bar.role == "response":
        return "empty" if drill.sheet.responses == "empty" else "slashes"
    if bar.role in ("ending", "count-in") or is_listened_to(bar, heard=not wanted.line):
        return "notes"
    free = bar.tag and drill.gaps is not None  # after calls and responses, the student has the tag
    return "notes" if wanted.line and not free else "slashes"


def _marks(chart: Chart, part: KeyPart, wanted: Wanted, label: str) -> Iterator[Marks]:
    before: Place | None = None
    for index, place in enumerate(part.places):
        key = label if index == 0 else ""
        yield marks(chart, place, before, key, heard=not wanted.line)
        before = None if place.pickup else place
