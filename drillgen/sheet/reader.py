"""Who reads a sheet, and which fingering is shown.

A reader has a clef, a transposition, and a range that the line is folded into.

A signature that transposing would take beyond six accidentals is written as its enharmonic key: B
major is D flat for a B flat instrument, and A flat (not G sharp) for one in E flat.  A key that a
drill asks for stays as it is for readers at concert pitch.  A chord is written by the root that
players expect in the key that is read, and the notes over it with it (common practice).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from quicktions import Fraction

from drillgen.chart import Chart, Span
from drillgen.drill.models import Drill
from drillgen.drill.sheet import (
    BASSES,
    CONCERT,
    IN_B_FLAT,
    IN_E_FLAT,
    INSTRUMENTS,
    Fingering,
    SheetSpec,
    Transposition,
)
from drillgen.lines.kinds import by_voice
from drillgen.lines.kinds import line as write
from drillgen.listing import again, listing, number_of, shows, without_times
from drillgen.score import Note, Part
from drillgen.sheet.fingering import (
    FRETBOARDS,
    BarMemory,
    Fingered,
    FingeringError,
    Fretboard,
    contrasting,
    finger,
)
from drillgen.theory.chords import as_written
from drillgen.theory.pitch import Key, Name, Pitch
from drillgen.theory.spelling import LineTone

MOST_ACCIDENTALS = 6  # of a signature that transposing has made
_CIRCLE = 12  # fifths to the same sound
_PLAYERS = {"upright": "Double bass", "electric": "Bass guitar"}  # where the name is another
_PITCHES = {"Bb": IN_B_FLAT, "Eb": IN_E_FLAT}
# Written notes that lie well for whoever reads a clef, where no instrument is named: three ledger
# lines at most, and what both trumpets and saxophones have (common practice).
_COMPASS = {"treble": "G3 C6", "bass": "E2 G4", "alto": "C3 E5", "tenor": "A2 C5"}
_PITCH_COMPASS = "Bb3 C6"


@dataclass(frozen=True, slots=True)
class Reader:
    """How a sheet is written for somebody."""

    name: str  # for people: "Double bass", "B♭ instruments"
    clef: str
    written: Transposition
    compass: tuple[int, int] | None = None  # sounding MIDI keys; None: the line is left as it is

    def moved(self, key: Key) -> int:
        """How far the key's music is moved along the line of fifths."""
        fifths = self.written.fifths
        signature = key.signature + fifths
        if not fifths or abs(signature) <= MOST_ACCIDENTALS:
            return fifths
        return fifths - (_CIRCLE if signature > 0 else -_CIRCLE)

    def key(self, key: Key) -> Key:
        """The key as this reader sees it."""
        return Key(Name(key.tonic.fifths + self.moved(key)), key.mode)

    def span(self, span: Span, key: Key) -> Span:
        """A chord of a key as this reader sees it."""
        if span.chord is None or not self.written.fifths:
            return span
        root = span.meant or span.chord.root
        chord = span.chord.on(Name(root.fifths + self.moved(key)))
        return replace(span, chord=as_written(chord, self.key(key)), meant=None)

    def pitch(self, pitch: Pitch, key: Key, under: Span | None = None) -> Pitch:
        """A sounding pitch as it is written, over a chord of a key."""
        name = Name(pitch.name.fifths + self.shift(key, under))
        name = name if abs(name.alter) <= 2 else name.simplest
        return Pitch.near(name, pitch.midi + self.written.semitones)

    def shift(self, key: Key, under: Span | None) -> int:
        """How far a note over a chord of a key is moved along the line of fifths: as its chord."""
        seen = under and self.span(under, key).chord
        if not (under and under.chord and seen):
            return self.moved(key)
        return seen.root.fifths - under.chord.root.fifths


def reader_of(spec: SheetSpec, player: str) -> Reader:
    """The reader that a drill means; `player` is the instrument that plays the line."""
    named = spec.instrument or player
    if spec.transpose in _PITCHES and not _is_in(spec.transpose, named):
        own = _in_pitch(spec.transpose)
    else:
        own = _instrument(named)
        own = own if spec.instrument and spec.instrument != player else replace(own, compass=None)
    if spec.transpose == "none" and own.written.fifths:
        own = Reader(f"{_player(named)} at concert pitch", own.clef, CONCERT, own.compass)
    return replace(own, clef=spec.clef) if spec.clef else own


_FIRST_PLAYER = "upright"  # who reads where there is no line


def readers(drill: Drill) -> Iterator[tuple[str, Reader]]:
    """Who gets a drill's sheet, by the names in `also_for`; first, as "", whom the drill means."""
    player = drill.line.instrument if drill.line else _FIRST_PLAYER
    yield "", reader_of(drill.sheet, player)
    for name in drill.sheet.also_for:
        yield name, reader_named(name)


def reader_named(name: str) -> Reader:
    """Another reader: an instrument, Bb or Eb, or a clef at concert pitch."""
    if name in _PITCHES:
        return _in_pitch(name)
    if name in INSTRUMENTS:
        return _instrument(name)
    clef = name.removesuffix(" clef")
    return Reader(f"{clef.capitalize()} clef", clef, CONCERT, _range(_COMPASS[clef], CONCERT))


def _is_in(pitch: str, instrument: str) -> bool:
    return INSTRUMENTS[instrument].written.fifths == _PITCHES[pitch].fifths


def _in_pitch(pitch: str) -> Reader:
    written = _PITCHES[pitch]
    return Reader(
        f"{written.pitch} instruments", "treble", written, _range(_PITCH_COMPASS, written)
    )


def _player(instrument: str) -> str:
    return _PLAYERS.get(instrument, instrument.capitalize())


def _instrument(name: str) -> Reader:
    row = INSTRUMENTS[name]
    pitch = row.written.pitch
    return Reader(
        f"{_player(name)} in {pitch}" if pitch else _player(name),
        row.clef,
        row.written,
        (row.low.midi, row.high.midi),
    )


def _range(text: str, written: Transposition) -> tuple[int, int]:
    low, high = (Pitch.parse(word).midi - written.semitones for word in text.split())
    return low, high


def read_by(chart: Chart, line: Part, reader: Reader) -> Part:
    """The line in the reader's range, moved by octaves, and named so that it is spelled in the key
    that is read.

    Everything moves together by the octaves that leave fewest notes outside; a pass that lies
    better another way moves that way; single notes that are still outside move by themselves.
    """
    return _spelled(chart, _folded(chart, line, reader), reader)


def _folded(chart: Chart, line: Part, reader: Reader) -> Part:
    if reader.compass is None:
        return line
    low, high = reader.compass
    together = _octaves(line.notes, low, high, near=0)
    moved: list[Note] = []
    for _, found in groupby(line.notes, key=lambda note: chart.bar_at(note.start).pass_number):
        notes = list(found)
        octaves = _octaves(notes, low, high, near=together)
        moved += [_inside(note, octaves, low, high) for note in notes]
    return replace(line, notes=tuple(moved))


def _spelled(chart: Chart, line: Part, reader: Reader) -> Part:
    """The names that a copyist gives a line made from chords in the key that is read, moved back to
    the one that sounds.  What answers, or stands over no chord, keeps its names."""
    options = chart.drill.line
    if not reader.written.fifths or options is None or not options.of_chords:
        return line
    found: list[Note] = []
    for _, notes in groupby(line.notes, key=lambda note: chart.bar_at(note.start).pass_number):
        placed = [(note, _chord_under(chart, note)) for note in notes]
        over = [(note, under) for note, under in placed if under is not None]
        tones = [_tone(chart, note, under, reader) for note, under in over]
        names = iter(by_voice([note for note, _ in over], tones))
        found += [
            note if under is None else _named(chart, note, under, next(names), reader)
            for note, under in placed
        ]
    return replace(line, notes=tuple(found))


def _chord_under(chart: Chart, note: Note) -> Span | None:
    bar = chart.bar_at(note.start)
    under = bar.span_at(note.start)
    return under if under and under.chord and bar.role != "response" else None


def _tone(chart: Chart, note: Note, under: Span, reader: Reader) -> LineTone:
    bar = chart.bar_at(note.start)
    chord = reader.span(under, bar.key).chord
    assert chord is not None
    pitch = reader.pitch(note.pitch, bar.key, under)
    return LineTone(pitch, chord, reader.key(bar.key), bar.start, note.mark == "approach")


def _named(chart: Chart, note: Note, under: Span, seen: Pitch, reader: Reader) -> Note:
    shift = reader.shift(chart.bar_at(note.start).key, under)
    return replace(note, pitch=Pitch.near(Name(seen.name.fifths - shift), note.pitch.midi))


_OCTAVES = range(-4, 5)


def _octaves(notes: Sequence[Note], low: int, high: int, near: int) -> int:
    """The move that leaves fewest notes outside, as near as may be."""

    def outside(octaves: int) -> int:
        return sum(not low <= note.pitch.midi + 12 * octaves <= high for note in notes)

    return min(_OCTAVES, key=lambda octaves: (outside(octaves), abs(octaves - near), octaves))


def _inside(note: Note, octaves: int, low: int, high: int) -> Note:
    pitch = note.pitch.octaves(octaves)
    while pitch.midi < low:
        pitch = pitch.octaves(1)
    while pitch.midi > high:
        pitch = pitch.octaves(-1)
    return replace(note, pitch=pitch)


CONTRASTING = "with open strings", "stopped"  # two solutions
# The names that a drill gives to tunings, by the table of fretboards.
_TUNINGS = {"four": "", "five": ", five strings", "solo": ", solo tuning"}


@dataclass(frozen=True, slots=True)
class Solution:
    """One way to play the line of a whole track."""

    name: str  # "with open strings", "stopped"; "" where there is one only
    board: Fretboard
    fingered: tuple[Fingered, ...]


def solutions(
    chart: Chart, line: Part | None, wanted: Fingering | None = None
) -> tuple[Solution, ...]:
    """The fingerings that a drill asks for, or those `wanted`; none where it asks for none.

    Each pass is fingered by itself, but bars alike are played alike.  Raises FingeringError, naming
    bar and note, for what cannot be played, and for a reader who plays no bass.
    """
    wanted = wanted or chart.drill.sheet.fingering
    if wanted is None or line is None:
        return ()
    if chart.whole is not None and (known := _taken_out(chart, line, wanted)):
        return known
    instrument = chart.drill.sheet.instrument or line.instrument
    board = fretboard(instrument, wanted)
    if (positions := chart.drill.positions) is not None:
        board = replace(board, within=positions.hands(instrument))
    passes = [list(notes) for notes in _passes(chart, line.notes)]

    def where(note: Note) -> str:
        return f"bar {number_of(chart, chart.bar_at(note.start))}"

    def memory() -> BarMemory:
        return BarMemory(lambda note: chart.bar_at(note.start).start)

    if wanted.solutions == "one":
        bars_played, strings = memory(), wanted.open_strings
        found = [
            finger(notes, board, open_strings=strings, where=where, memory=bars_played)
            for notes in passes
        ]
        return (Solution("", board, tuple(one for each in found for one in each)),)
    memories = memory(), memory()
    pairs = [contrasting(notes, board, where=where, memories=memories) for notes in passes]
    return tuple(
        Solution(name, board, tuple(one for pair in pairs for one in pair[index]))
        for index, name in enumerate(CONTRASTING)
    )


def _taken_out(chart: Chart, line: Part, wanted: Fingering) -> tuple[Solution, ...]:
    """The fingerings that the bars taken out of a track have in it; none where a reader's octave is
    another one in these bars alone."""
    assert chart.whole is not None
    whole = write(chart.whole)
    if whole is None:
        return ()
    read = read_by(chart.whole, whole, reader_of(chart.drill.sheet, whole.instrument))
    found = []
    for each in solutions(chart.whole, read, wanted):
        hands = {(one.note.start, one.note.pitch): one for one in each.fingered}
        places = [(_in_the_whole(chart, note), note) for note in line.notes]
        if any((start, note.pitch) not in hands for start, note in places):
            return ()
        own = tuple(replace(hands[start, note.pitch], note=note) for start, note in places)
        found.append(replace(each, fingered=own))
    return tuple(found)


def _in_the_whole(chart: Chart, note: Note) -> Fraction:
    """Where a note of bars that were taken out begins in the track they come from."""
    number = chart.bar_at(note.start).pass_number
    first = next(bar for bar in chart.bars if bar.pass_number == number)
    return chart.taken_from + note.start - first.start


def fretboard(instrument: str, wanted: Fingering) -> Fretboard:
    """The bass that a drill means.  Raises FingeringError where there is none such."""
    if instrument not in BASSES:
        raise FingeringError(
            f"fingerings are for {' and '.join(BASSES)}, and the line is read by "
            f"{instrument}; write sheet: {{fingering: true, instrument: upright}}"
        )
    if isinstance(wanted.strings, tuple):
        tuning = " ".join(wanted.strings)
        return FRETBOARDS[instrument].tuned(wanted.strings, name=f"an {instrument} bass ({tuning})")
    name = instrument + _TUNINGS[wanted.strings]
    if name not in FRETBOARDS:
        raise FingeringError(
            f"there is no {instrument} bass in {wanted.strings} tuning;"
            " write its open strings: F#1 B1 E2 A2"
        )
    return FRETBOARDS[name]


def _passes(chart: Chart, notes: Sequence[Note]) -> Iterator[Iterator[Note]]:
    found = groupby(notes, key=lambda note: chart.bar_at(note.start).pass_number)
    return (notes_of for _, notes_of in found)


def in_words(chart: Chart, solution: Solution, keys: Collection[Key] = ()) -> Iterator[str]:
    """A line of text a bar: bar, key, then each note with its finger: `C3(4)`.  `keys` alone are
    shown where some are named.

    The string is named where it changes and the position where the hand comes to it:
    `[I] A string B1(1) C2(2) D string D2(0)`.
    """
    name = f" {solution.name}" if solution.name else ""
    yield (f"Fingering{name} on {solution.board.name}; positions: {solution.board.school.system}")
    position = ""
    bars = groupby(solution.fingered, key=lambda each: chart.bar_at(each.note.start))
    for bar, found in bars:
        words, string = [], ""
        for each in found:
            if each.position != position:
                position = each.position
                words.append(f"[{position}]")
            if each.string_name != string:
                string = each.string_name
                words.append(f"{string} string")
            words.append(f"{each.note.pitch}({each.finger})")
        if shows(bar, keys):
            yield f"{number_of(chart, bar):>5}  {bar.key.short:<4} {' '.join(words)}"


# What a person sees of a drill before it is rendered: its charts, and fingerings asked for.


def review(
    tracks: Sequence[Chart],
    fingerings: Sequence[Sequence[Solution]] = (),
    keys: Collection[Key] = (),
) -> Iterator[str]:
    """The text of each track of a drill, followed by its fingerings where there are some; of the
    tracks that have one of `keys`, where some are named, and of them these keys.  Tracks that only
    the tempo tells apart say so instead of showing the same again."""
    shown: dict[tuple[str, ...], Chart] = {}
    for number, chart in enumerate(tracks):
        if keys and not any(shows(bar, keys) for bar in chart.bars):
            continue
        hands = fingerings[number] if fingerings else ()
        fingered = ["\n".join(in_words(chart, found, keys)) for found in hands]
        first = shown.setdefault((*without_times(chart), *fingered), chart)
        if first is not chart:
            yield again(chart, first, "bars and fingering" if hands else "bars")
            continue
        yield listing(chart, tracks, keys)
        yield from fingered


def shows_line(drill: Drill) -> bool:
    """Whether any sheet of a drill shows the line, and so the hand that plays it."""
    line = drill.line
    return line is not None and (drill.sheet.show != "chords" or line.by_ear)
