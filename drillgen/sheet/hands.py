"""The fingering that a drill asks for: which bass, how many solutions, and how it reads."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby

from drillgen.chart import Chart
from drillgen.drill.models import Drill, Fingering
from drillgen.drill.sheet import BASSES
from drillgen.lines.kinds import line as write
from drillgen.listing import listing, number_of
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
from drillgen.sheet.reader import read_by, reader_of

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


def in_words(chart: Chart, solution: Solution) -> Iterator[str]:
    """A line of text a bar: bar, key, then each note with its finger: `C3(4)`.

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
        yield f"{number_of(chart, bar):>5}  {bar.key.short:<4} {' '.join(words)}"


# What a person sees of a drill before it is rendered: its charts, and fingerings asked for.


def review(tracks: Sequence[Chart], fingerings: Sequence[Sequence[Solution]] = ()) -> Iterator[str]:
    """The text of each track of a drill, followed by its fingerings where there are some."""
    for number, chart in enumerate(tracks):
        yield listing(chart, tracks)
        for found in fingerings[number] if fingerings else ():
            yield "\n".join(in_words(chart, found))


def shows_line(drill: Drill) -> bool:
    """Whether any sheet of a drill shows the line, and so the hand that plays it."""
    line = drill.line
    return line is not None and (drill.sheet.show != "chords" or line.by_ear)
