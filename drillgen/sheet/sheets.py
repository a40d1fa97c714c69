"""A drill's sheets: what is handed out, the answers to look at afterwards, and other readers'.

All tracks of a drill share its sheets: tempos change nothing but the metronome mark, and where
tracks are split by key, the sheet holds every key.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import chain, zip_longest

from drillgen.chart import Bar, Chart, Span
from drillgen.drill.lines import Walking
from drillgen.drill.models import Drill
from drillgen.drill.progression import is_coda
from drillgen.drill.sheet import Fingering, SheetSpec
from drillgen.score import Note, Part, Score
from drillgen.sheet.fingering import FingeringError
from drillgen.sheet.layout import (
    BarMarks,
    KeyPart,
    SheetBar,
    TempoMark,
    by_bar,
    facts,
    is_dictated,
    is_listened_to,
    key_parts,
    marks,
    shares,
    tempo_mark,
)
from drillgen.sheet.musicxml import Heading, KeyMusic, Printed, musicxml
from drillgen.sheet.musicxml import printed as changing
from drillgen.sheet.notation import Fret, Row, Style
from drillgen.sheet.placing import annotated, degrees
from drillgen.sheet.reader import Reader, Solution, read_by, readers, solutions
from drillgen.sheet.restyle import NEXT_SIGNATURE
from drillgen.sheet.staff import Filling, Measure, measure, with_accidentals
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


@dataclass(frozen=True)
class Section:
    """The music of one key."""

    label: str  # the key as this reader sees it: "B♭ major", "C major (concert B♭ major)"
    first_bar: int  # its index in the chart's bars
    last_bar: int
    bar_ids: tuple[str, ...]  # of every measure, in order
    shares: frozenset[str]  # bars that begin a system only where the one before is full
    heading: Heading
    music: KeyMusic
    follows: int | None = None  # the signature of the key after it, in sharps, where it is another

    @property
    def names(self) -> tuple[tuple[str, str], ...]:
        """Of each note that begins, its id and its name as it is written: ("b4n0", "F♯")."""
        return tuple(
            (f"{printed.measure.place.id}n{index}", sign.pitches[-1].name.pretty)
            for printed in self.music.printed
            for index, sign in enumerate(printed.measure.signs)
            if sign.notes and not sign.tied_from
        )

    @cached_property
    def musicxml(self) -> str:
        """This key alone, as a MusicXML file of its own."""
        facts = self.heading.facts
        if self.follows is not None:
            facts = (*facts, (NEXT_SIGNATURE, str(self.follows)))
        return musicxml(replace(self.heading, credits=(), facts=facts), [self.music])


@dataclass(frozen=True)
class Sheet:
    """One sheet for one reader."""

    name: str  # what sets it apart: "", "answers", "for Bb", "answers for Bb"
    title: str
    note: str  # the student's, from the drill
    tempo: str  # "♩ = 60, 72, 84"
    facts: str  # "Swing · count-in 2 bars · call 4 bars · response 4 bars"
    reader: str  # "Double bass", "B♭ instruments"
    seed: int
    heading: Heading
    sections: tuple[Section, ...]  # a key each
    shown_in: tuple[tuple[str, str], ...]  # each bar's id, and the measure that shows it

    @cached_property
    def musicxml(self) -> str:
        """Every key, one after another, as a MusicXML file."""
        first, *later = (section.music for section in self.sections)
        return musicxml(self.heading, [first, *map(_untimed, later)])


def _untimed(music: KeyMusic) -> KeyMusic:
    """Without a metronome mark: on a sheet of many keys it stands at the head alone."""
    first, *others = music.printed
    return replace(music, printed=(replace(first, marks=replace(first.marks, tempo=None)), *others))


@dataclass(frozen=True, slots=True)
class Sheets:
    """All sheets of a drill."""

    handout: Sheet  # what the student gets first
    revealed: Sheet | None  # the calls written out; only for lines that are learned by ear
    others: tuple[Sheet, ...]  # for other readers

    @property
    def musicxml(self) -> str:
        return self.handout.musicxml

    @property
    def answers(self) -> str | None:
        return self.revealed.musicxml if self.revealed else None

    @property
    def all(self) -> tuple[Sheet, ...]:
        return (self.handout, *([self.revealed] if self.revealed else []), *self.others)

    def of(self, reader: str) -> tuple[Sheet, ...]:
        """The sheet of one of `readers`, by its name there, and the answers after it if there are
        some; nothing where the drill has no such reader."""
        return tuple(sheet for sheet in self.all if sheet.name in _names(reader))


def sheets(scores: Sequence[Score]) -> Sheets:
    """The sheets of a drill from the scores of its tracks, in `charts()`'s order.

    Raises FingeringError where a fingering or tablature is asked for and cannot be found.
    """
    drill = scores[0].chart.drill
    tracks = [score for score in scores if score.chart.tempo == scores[0].chart.tempo]
    own, *others = (list(_for_reader(drill, tracks, who, name)) for name, who in readers(drill))
    return Sheets(own[0], own[1] if len(own) > 1 else None, tuple(chain(*others)))


def _for_reader(
    drill: Drill, tracks: Sequence[Score], reader: Reader, name: str
) -> Iterator[Sheet]:
    """A reader's sheet, and the answers after it where the line is learned by ear."""
    line = drill.line is not None and drill.sheet.show != "chords"
    chords = drill.sheet.show != "line" or not line
    heard = drill.line is not None and drill.line.by_ear
    hands = not name
    tracks = [_read(score, reader) for score in tracks]
    handed, answers = _names(name)
    yield _sheet(tracks, SheetRequest(reader, line and not heard, chords, hands=hands), handed)
    if heard:
        wanted = SheetRequest(reader, line=True, chords=True, degrees=True, hands=hands)
        yield _sheet(tracks, wanted, answers)


def _read(score: Score, reader: Reader) -> Score:
    """The track with the line as the reader gets it, with its degrees where they are asked for."""
    chart, line = score.chart, score.part("line")
    if line is None:
        return score
    seen = read_by(chart, line, reader)
    if chart.drill.sheet.degrees:
        marks = (note.mark for note in annotated(chart, line).notes)
        seen = replace(seen, notes=tuple(map(_marked, seen.notes, marks)))
    return replace(score, parts=tuple(seen if part is line else part for part in score.parts))


def _marked(note: Note, mark: str) -> Note:
    return replace(note, mark=mark)


def _names(reader: str) -> tuple[str, str]:
    """What a reader's sheet is called, and the answers to it."""
    which = f"for {reader}" if reader else ""
    return which, f"answers {which}".strip()


def _sheet(tracks: Sequence[Score], wanted: SheetRequest, name: str) -> Sheet:
    drill = tracks[0].chart.drill
    title = f"{drill.title}: answers" if wanted.degrees else drill.title
    music = [
        key
        for number, score in enumerate(tracks)
        for key in compose(score, wanted, _prefix(drill, number))
    ]
    mark = tempo_mark(tracks[0].chart)
    said = facts(drill, mark, hands=wanted.hands and wanted.line)
    words = (("title", title), ("subtitle", drill.note), ("facts", said))
    head = _heading(drill, wanted.reader, words, music[0].strings)
    return Sheet(
        name=name,
        title=title,
        note=drill.note,
        tempo=mark.pretty,
        facts=said,
        reader=wanted.reader.name,
        seed=drill.seed,
        heading=head,
        sections=tuple(_with_courtesies(drill, [_section(drill, k, head, mark) for k in music])),
        shown_in=tuple(pair for key in music for pair in key.shown_in),
    )


def _with_courtesies(drill: Drill, keys: Sequence[Section]) -> Iterator[Section]:
    """The keys, each with the signature that the music goes on with; keys that are tracks of their
    own do not go on."""
    for key, after in zip_longest(keys, keys[1:]):
        ours, theirs = (
            each.music.printed[0].measure.key.signature if each else None for each in (key, after)
        )
        goes_on = drill.tracks == "together" and theirs not in (ours, None)
        yield replace(key, follows=theirs) if goes_on else key


def _prefix(drill: Drill, track: int) -> str:
    """Before every id where tracks are split by key, as each of them counts its bars from 0."""
    return f"k{track}" if drill.tracks == "per key" else ""


def _heading(
    drill: Drill,
    reader: Reader,
    words: tuple[tuple[str, str], ...],
    strings: tuple[Pitch, ...],
) -> Heading:
    return Heading(
        title=words[0][1],
        part=reader.name,
        clef=reader.clef,
        written=reader.written,
        strings=strings,
        credits=tuple(pair for pair in words if pair[1]),
        facts=(("seed", str(drill.seed)), ("feel", drill.feel)),
    )


def _section(drill: Drill, key: SheetSection, head: Heading, mark: TempoMark) -> Section:
    first, *others = key.music.printed
    timed = replace(first, marks=replace(first.marks, tempo=mark))
    places = [printed.measure.place for printed in key.music.printed]
    return Section(
        label=key.label,
        first_bar=places[0].bar.number,
        last_bar=places[-1].bar.number,
        bar_ids=tuple(place.id for place in places),
        shares=shares(drill, places),
        heading=head,
        music=replace(key.music, printed=(timed, *others)),
    )
