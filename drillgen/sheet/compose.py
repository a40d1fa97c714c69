"""From a track to the bars of a sheet: what fills each, which chords are named, what stands over
it, and the rows and tablature under the staff.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from drillgen.chart import Bar, Chart, Span
from drillgen.drill.lines import Walking
from drillgen.drill.models import Fingering, SheetSpec
from drillgen.drill.progression import is_coda
from drillgen.score import Note, Part, Score
from drillgen.sheet.fingering import FingeringError
from drillgen.sheet.layout import KeyPart, SheetBar, by_bar, key_parts
from drillgen.sheet.musicxml import KeyMusic, Printed
from drillgen.sheet.musicxml import printed as changing
from drillgen.sheet.notation import Fret, Row, Style
from drillgen.sheet.placing import degrees
from drillgen.sheet.reader import Reader, Solution, solutions
from drillgen.sheet.staff import Filling, Measure, measure, with_accidentals
from drillgen.sheet.words import BarMarks, is_dictated, is_listened_to, marks
from drillgen.theory.pitch import Key, Pitch

# Rows of text under the staff: fingers, strings and positions, or degrees; and tablatures.

_TABLATURE_FOR = "electric"


def hands(chart: Chart, line: Part) -> tuple[Solution, ...]:
    """The solutions that a drill's fingering or tablature asks for.  Raises FingeringError."""
    sheet = chart.drill.sheet
    if sheet.tablature:
        check_tablature(sheet, line.instrument)
    return solutions(chart, line, sheet.fingering or (Fingering() if sheet.tablature else None))


def fingerings(chart: Chart, found: Sequence[Solution]) -> tuple[Row, ...]:
    """The rows of each solution."""
    return tuple(row for each in found for row in _rows(chart, each))


def _rows(chart: Chart, found: Solution) -> Iterator[Row]:
    which = f", {found.name}" if found.name else ""
    yield Row(f"finger{which}", {each.note: each.finger for each in found.fingered})
    yield Row(f"string{which}", {each.note: each.string_name for each in found.fingered})
    yield Row(f"position{which}", dict(_positions(chart, found)))


def _positions(chart: Chart, found: Solution) -> Iterator[tuple[Note, str]]:
    """The position where the hand comes to it, and at the beginning of each pass."""
    before: tuple[str, int] | None = None
    for each in found.fingered:
        now = (each.position, chart.bar_at(each.note.start).pass_number)
        if now != before:
            yield each.note, each.position
        before = now


def tablature(found: Solution) -> tuple[Mapping[Note, Fret], tuple[Pitch, ...]]:
    """Where each note lies, and the strings from low to high."""
    frets = {each.note: Fret(each.string, each.fret) for each in found.fingered}
    return frets, found.board.strings


def check_tablature(sheet: SheetSpec, player: str) -> None:
    """Raises FingeringError where a line that `player` plays is read by no electric bass."""
    reader = sheet.instrument or player
    if reader != _TABLATURE_FOR:
        raise FingeringError(
            f"a tablature is for the electric bass, and the line is read by {reader};"
            " write sheet: {tablature: true, instrument: electric}"
        )


# From a track to the bars of a sheet: what fills each, which chords are named, what is over it.


@dataclass(frozen=True, slots=True)
class SheetRequest:
    """What is printed, and for whom."""

    reader: Reader
    line: bool  # else slashes
    chords: bool
    degrees: bool = False  # under the notes
    hands: bool = False  # the fingering and tablature that the drill asks for


@dataclass(frozen=True, slots=True)
class SheetSection:
    """One key of a sheet."""

    label: str  # "B♭ major", as the reader sees it
    music: KeyMusic
    shown_in: tuple[tuple[str, str], ...]  # a bar's id, and the id of the measure that shows it
    strings: tuple[Pitch, ...]  # of a tablature


def compose(score: Score, wanted: SheetRequest, prefix: str) -> Iterator[SheetSection]:
    """The keys of a track whose line is the reader's, `prefix` before their ids.  Raises
    FingeringError."""
    chart, line = score.chart, score.part("line") if wanted.line else None
    sounding = by_bar(chart, line.notes if line else ())
    style, strings = _style(chart, line, wanted)
    for part in key_parts(chart, sounding, prefix):
        label = _label(wanted.reader, part.key)
        printed = tuple(_bars(score, part, sounding, wanted, label))
        yield SheetSection(label, KeyMusic(printed, style), part.shown_in, strings)


def _label(reader: Reader, key: Key) -> str:
    """'C major', and for a reader who sees another key than sounds 'D major (concert C major)'."""
    seen = reader.key(key)
    return seen.pretty if seen == key else f"{seen.pretty} (concert {key.pretty})"


def _style(
    chart: Chart, line: Part | None, wanted: SheetRequest
) -> tuple[Style, tuple[Pitch, ...]]:
    """Rows and tablature, and the strings of the latter."""
    clef = wanted.reader.clef
    if line is None:
        return Style(clef), ()
    asked = wanted.degrees or chart.drill.sheet.degrees
    rows: tuple[Row, ...] = (degrees(line.notes),) if asked else ()
    if not wanted.hands:
        return Style(clef, rows), ()
    found = hands(chart, line)
    if chart.drill.sheet.fingering is not None:
        rows += fingerings(chart, found)
    if not chart.drill.sheet.tablature:
        return Style(clef, rows), ()
    frets, strings = tablature(found[0])
    return Style(clef, rows, frets), strings


def _bars(
    score: Score,
    part: KeyPart,
    sounding: Mapping[int, Sequence[Note]],
    wanted: SheetRequest,
    label: str,
) -> Iterator[Printed]:
    measures = list(with_accidentals(list(_measures(score.chart, part, sounding, wanted))))
    over = list(_marks(score, part, wanted, label))
    for found, above in zip(measures, over, strict=True):
        yield Printed(found, above)


def _measures(
    chart: Chart, part: KeyPart, sounding: Mapping[int, Sequence[Note]], wanted: SheetRequest
) -> Iterator[Measure]:
    before: Span | None = None  # the chord in force whose symbol is in sight
    for place in part.places:
        if place.new_system or place.begins_ending:
            before = None
        notes = sounding.get(place.bar.number, ())
        spans: tuple[Span, ...] = ()
        if wanted.chords and not place.pickup and place.bar.spans:
            spans = changing(place.bar.spans, place.end, before)
            before = place.bar.spans[-1]
        filling = _filling(chart, place.bar, wanted)
        yield measure(place, notes, filling, spans, wanted.reader, chart.drill.meter)


def _filling(chart: Chart, bar: Bar, wanted: SheetRequest) -> Filling:
    """Slashes mean "play": a bar to listen to has a rest."""
    drill = chart.drill
    if not wanted.line and is_dictated(drill, bar):
        return "empty"
    if bar.role == "response":
        return "empty" if drill.sheet.responses == "empty" else "slashes"
    if bar.role == "ending":
        return "notes" if wanted.line else "held"
    if bar.change or bar.role == "count-in" or is_listened_to(bar, heard=not wanted.line):
        return "notes"
    free = bar.tag and drill.gaps is not None  # after calls and responses, the student has the tag
    return "notes" if wanted.line and not free else "slashes"


def _marks(score: Score, part: KeyPart, wanted: SheetRequest, label: str) -> Iterator[BarMarks]:
    chart = score.chart
    before: SheetBar | None = None
    times = _times_of_passes(chart, part)
    for index, place in enumerate(part.places):
        key = label if index == 0 else ""
        coming = _coming(score, place.bar, wanted.reader) if place.bar.change else ""
        passes = times.get(place.id, "")
        heard = not wanted.line
        yield marks(chart, place, before, key, heard=heard, coming=coming, passes=passes)
        before = None if place.pickup else place


def _coming(score: Score, bar: Bar, reader: Reader) -> str:
    """The key that a bar leads to and the line's first note in it, as the reader sees them."""
    key, line = reader.key(bar.key).pretty, score.part("line")
    if line is None or (score.chart.drill.line and score.chart.drill.line.dictation):
        return key
    note = next((note for note in line.notes if note.start >= bar.start), None)
    return f"{key}, from {reader.pitch(note.pitch, bar.key).name.pretty}" if note else key


_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")


def _times_of_passes(chart: Chart, part: KeyPart) -> dict[str, str]:
    """By the id of the bar that begins it, which times a pass is played, where passes differ."""
    played = [p for p in part.places if not (p.pickup or p.ending or _follows(p.bar))]
    played = [p for p in played if not is_coda(p.bar.section)]
    begins = [
        place
        for before, place in zip([None, *played], played, strict=False)
        if before is None or before.bar.pass_number != place.bar.pass_number
    ]
    if len(begins) < 2:
        return {}
    first, key = begins[0].bar.pass_number, begins[0].bar.key_number
    after = max(bar.pass_number for bar in chart.bars if bar.key_number == key) + 1
    ends = [*(place.bar.pass_number for place in begins[1:]), after]
    return {
        place.id: _nth(place.bar.pass_number - first, end - first - 1)
        + _version(chart, place.bar.pass_number - first)
        for place, end in zip(begins, ends, strict=True)
    }


def _version(chart: Chart, turn: int) -> str:
    """Which version of a walking line that alternates is written in a pass, from 0 in its key."""
    line = chart.drill.line
    if not isinstance(line, Walking) or line.version != "alternating":
        return ""
    return ", full" if turn % 2 else ", bare"


def _follows(bar: Bar) -> bool:
    """Whether a bar comes after the last pass."""
    return bar.tag or bar.change or bar.role == "ending"


def _nth(first: int, last: int) -> str:
    """'second time', 'second and third time', 'second to fifth time'; passes count from 0."""
    one, other = (
        _ORDINALS[each] if each < len(_ORDINALS) else f"{each + 1}th" for each in (first, last)
    )
    if first == last:
        return f"{one} time"
    return f"{one} {'and' if last == first + 1 else 'to'} {other} time"
