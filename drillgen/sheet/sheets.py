"""A drill's sheets: what is handed out, the answers to look at afterwards, and other readers'.

All tracks of a drill share its sheets: tempos change nothing but the metronome mark, and where
tracks are split by key, the sheet holds every key.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from drillgen.drill.models import Drill
from drillgen.score import Score
from drillgen.sheet.compose import Composed, Wanted, compose
from drillgen.sheet.directions import TempoMark, facts, tempo_mark
from drillgen.sheet.musicxml import Heading, KeyMusic, musicxml
from drillgen.sheet.reader import Reader, reader_named, reader_of
from drillgen.theory.pitch import Pitch

_BY_EAR = ("phrases",)  # lines that are made up by the tool and learned by ear
_FIRST_PLAYER = "upright"  # who reads where there is no line


@dataclass(frozen=True)
class Section:
    """The music of one key."""

    label: str  # the key as this reader sees it: "B♭ major"
    first_bar: int  # its index in the chart's bars
    last_bar: int
    bar_ids: tuple[str, ...]  # of every measure, in order
    heading: Heading
    music: KeyMusic

    @cached_property
    def musicxml(self) -> str:
        """This key alone, as a MusicXML file of its own."""
        return musicxml(replace(self.heading, credits=()), [self.music])


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


def sheets(scores: Sequence[Score]) -> Sheets:
    """The sheets of a drill from the scores of its tracks, in `charts()`'s order.

    Raises FingeringError where a fingering or tablature is asked for and cannot be found.
    """
    drill = scores[0].chart.drill
    tracks = [score for score in scores if score.chart.tempo == scores[0].chart.tempo]
    player = drill.line.instrument if drill.line else _FIRST_PLAYER
    own = list(_for_reader(drill, tracks, reader_of(drill.sheet, player), ""))
    others = [
        sheet
        for name in drill.sheet.also_for
        for sheet in _for_reader(drill, tracks, reader_named(name), name)
    ]
    return Sheets(own[0], own[1] if len(own) > 1 else None, tuple(others))


def _for_reader(
    drill: Drill, tracks: Sequence[Score], reader: Reader, name: str
) -> Iterator[Sheet]:
    """A reader's sheet, and the answers after it where the line is learned by ear."""
    line = drill.line is not None and drill.sheet.show != "chords"
    chords = drill.sheet.show != "line" or not line
    heard = drill.line is not None and drill.line.kind in _BY_EAR
    hands = not name
    which = f"for {name}" if name else ""
    yield _sheet(tracks, Wanted(reader, line and not heard, chords, hands=hands), which)
    if heard:
        wanted = Wanted(reader, line=True, chords=True, degrees=True, hands=hands)
        yield _sheet(tracks, wanted, f"answers {which}".strip())


def _sheet(tracks: Sequence[Score], wanted: Wanted, name: str) -> Sheet:
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
        sections=tuple(_section(key, head, mark) for key in music),
        shown_in=tuple(pair for key in music for pair in key.shown_in),
    )


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


def _section(key: Composed, head: Heading, mark: TempoMark) -> Section:
    first, *others = key.music.printed
    timed = replace(first, marks=replace(first.marks, tempo=mark))
    places = [printed.measure.place for printed in key.music.printed]
    return Section(
        label=key.label,
        first_bar=places[0].bar.number,
        last_bar=places[-1].bar.number,
        bar_ids=tuple(place.id for place in places),
        heading=head,
        music=replace(key.music, printed=(timed, *others)),
    )
