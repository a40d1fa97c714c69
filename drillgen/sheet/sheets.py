"""A drill's sheets: what is handed out, the answers to look at afterwards, and other readers'.

All tracks of a drill share its sheets: tempos change nothing but the metronome mark, and where
tracks are split by key, the sheet holds every key.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import chain, zip_longest

from drillgen.drill.models import Drill
from drillgen.score import Note, Score
from drillgen.sheet.compose import SheetRequest, SheetSection, compose
from drillgen.sheet.layout import shares
from drillgen.sheet.musicxml import Heading, KeyMusic, musicxml
from drillgen.sheet.placing import annotated
from drillgen.sheet.reader import Reader, read_by, readers
from drillgen.sheet.restyle import NEXT_SIGNATURE
from drillgen.sheet.words import TempoMark, facts, tempo_mark
from drillgen.theory.pitch import Pitch


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
