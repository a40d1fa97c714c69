"""Phrases for call and response, read as a teacher would: by what is heard alone."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import groupby, pairwise
from pathlib import Path

from quicktions import Fraction

from benchmarks.musical.figure import Figure, share
from drillgen.chart import Bar
from drillgen.drill.lines import Phrases
from drillgen.score import Note, Score

_EIGHTH = Fraction(1, 2)  # quarter notes
_REMEMBERED = 4  # calls
# Beats of a bar that are strong, by how many it has (common practice).
_STRONG = {2: (0, 1), 3: (0, 1), 4: (0, 2), 5: (0, 3)}

Motive = tuple[tuple[Fraction, str], ...]  # places after the call's first bar line, and degrees


@dataclass(frozen=True, slots=True)
class Phrase:
    """What is heard in one call."""

    start: Fraction
    bars: int
    bar: Fraction
    beat: Fraction
    notes: tuple[Note, ...]

    @property
    def ends(self) -> list[Fraction]:
        return [note.start + note.duration for note in self.notes]

    @property
    def rests(self) -> list[tuple[Fraction, Fraction]]:
        """Between notes: where each silence begins and ends."""
        starts = [note.start for note in self.notes[1:]]
        return [(end, start) for end, start in zip(self.ends, starts, strict=False) if end < start]

    @property
    def motive(self) -> Motive:
        """Its first bar."""
        return _window(self, Fraction(0), self.bar)

    def place(self, quarters: Fraction) -> Fraction:
        return (quarters - self.start) % self.bar

    def strong(self, quarters: Fraction) -> bool:
        beats = _STRONG[int(self.bar / self.beat)]
        return self.place(quarters) in [beat * self.beat for beat in beats]


def phrases_of(score: Score) -> Iterator[Phrase]:
    """Each call of a track."""
    drill, line = score.chart.drill, score.part("line")
    if line is None:
        return
    for _, bars in groupby(score.chart.bars, key=_run):
        call = list(bars)
        if call[0].role != "call":
            continue
        start, end = call[0].start, call[-1].end
        notes = tuple(note for note in line.notes if start <= note.start < end)
        yield Phrase(start, len(call), drill.meter.bar, drill.meter.beat, notes)


def _run(bar: Bar) -> tuple[str, int]:
    return bar.role, bar.pass_number


@dataclass(slots=True)
class _Tally:
    """Phrases counted by what is so of them; `of` is how many it could be so of."""

    hits: Counter[str] = field(default_factory=Counter)
    of: Counter[str] = field(default_factory=Counter)
    silences: int = 0  # in one bar, most

    def added(self, file: Path) -> _Tally:
        """Together with what a file has counted, which is then kept there."""
        if file.exists():
            before = json.loads(file.read_text())
            self.hits.update(before["hits"])
            self.of.update(before["of"])
            self.silences = max(self.silences, before["silences"])
        kept = {"hits": self.hits, "of": self.of, "silences": self.silences}
        file.write_text(json.dumps(kept))
        return self

    def note(self, name: str, holds: bool, times: int = 1) -> None:
        self.hits[name] += holds * times
        self.of[name] += times


def phrases(scores: Iterable[Score], counts: Path | None = None) -> Iterator[Figure]:
    """Figures of every phrase, and of those that a file has counted."""
    tally = _Tally()
    for score in scores:
        if not isinstance(score.chart.drill.line, Phrases):
            continue
        motives: list[Motive] = []
        for phrase in phrases_of(score):
            _count(phrase, tally)
            tally.silences = max(tally.silences, *_silences(phrase).values(), 0)
            tally.note("again", phrase.motive in motives[-_REMEMBERED:])
            rhythms = [[place for place, _ in motive] for motive in motives[-_REMEMBERED:]]
            tally.note("rhythm", [place for place, _ in phrase.motive] in rhythms)
            motives.append(phrase.motive)
    yield from _figures(tally.added(counts) if counts else tally)


def _figures(tally: _Tally) -> Iterator[Figure]:
    practice, long = "common practice", "phrases of two bars and more"

    def measured(name: str) -> float:
        return share(tally.hits[name], tally.of[name])

    yield Figure("phrases", tally.of["last"], None, "")
    yield Figure(f"{long}: the motive's rhythm returns", measured("returns"), (80, 100), practice,
                 " %")  # fmt: skip
    yield Figure(f"{long}: … note for note but its last two", measured("exactly"), None, "", " %")
    yield Figure(f"{long}: a note tied over a bar line", measured("tied"), (20, 40), practice, " %")
    yield Figure("phrases: last note a beat or longer", measured("last"), (100, 100), practice,
                 " %")  # fmt: skip
    yield Figure("phrases: last note on a strong beat, or held over one from half a beat before",
                 measured("lands"), (90, 100), practice, " %")  # fmt: skip
    yield Figure("phrases: notes alone, a beat and a half from the next", tally.hits["alone"],
                 (0, 0), practice)  # fmt: skip
    yield Figure("phrases: silences in one bar, most", tally.silences, (0, 1), practice)
    yield Figure("phrases: the same motive within four calls", tally.hits["again"], (0, 0),
                 practice)  # fmt: skip
    yield Figure("phrases: … the same rhythm", measured("rhythm"), None, "", " %")
    yield Figure("phrases: three notes and more, with one highest note, once", measured("peak"),
                 (80, 100), practice, " %")  # fmt: skip
    yield Figure("phrases: begun after the beat", measured("upbeat"), (25, 55), practice, " %")


def _count(phrase: Phrase, tally: _Tally) -> None:
    notes, last = phrase.notes, phrase.notes[-1]
    tally.note("last", last.duration >= phrase.beat)
    tally.note("lands", phrase.strong(last.start) or phrase.strong(last.start + _EIGHTH))
    tally.note("upbeat", phrase.place(notes[0].start) > 0)
    tally.note("alone", True, _alone(phrase))
    keys = [note.pitch.midi for note in notes]
    if len(set(keys)) > 2:
        tally.note("peak", keys.count(max(keys)) == 1)
    if phrase.bars * phrase.bar >= 2 * max(phrase.bar, Fraction(3)):
        tally.note("returns", _returns(phrase))
        tally.note("exactly", _exactly(phrase))
        tally.note("tied", any(_crosses(phrase, note) for note in notes))


def _alone(phrase: Phrase) -> int:
    """Notes with a beat and a half of silence, or nothing, on both sides."""
    far = phrase.beat * 3 / 2
    silences = [
        after.start - end for end, after in zip(phrase.ends, phrase.notes[1:], strict=False)
    ]
    return sum(min(pair) >= far for pair in pairwise([far, *silences, far]))


def _silences(phrase: Phrase) -> Counter[int]:
    """How many begin in each bar, between the first note and the last."""
    return Counter(int((start - phrase.start) // phrase.bar) for start, _ in phrase.rests)


def _crosses(phrase: Phrase, note: Note) -> bool:
    return phrase.place(note.start) + note.duration > phrase.bar


def _windows(phrase: Phrase) -> Iterator[tuple[Motive, Motive]]:
    """The first half bar, bar or two bars, and each later one: places from their beginning."""
    total = phrase.bars * phrase.bar
    for size in (phrase.bar / 2, phrase.bar, 2 * phrase.bar):
        first = _window(phrase, Fraction(0), size)
        for later in range(1, int(total // size)):
            yield first, _window(phrase, later * size, size)


def _window(phrase: Phrase, begin: Fraction, size: Fraction) -> Motive:
    places = [(note.start - phrase.start - begin, note.mark) for note in phrase.notes]
    return tuple((place, mark) for place, mark in places if 0 <= place < size)


def _returns(phrase: Phrase) -> bool:
    """Whether the rhythm of the beginning comes again: all of it, all but its last two notes, or
    most of it and no other."""
    for first, later in _windows(phrase):
        one, other = [place for place, _ in first], [place for place, _ in later]
        kept = one[: max(len(one) - 2, 2)]
        among = set(other) <= set(one) and 3 * len(other) >= 2 * len(one)
        if min(len(one), len(other)) >= 2 and (other[: len(kept)] == kept or among):
            return True
    return False


def _exactly(phrase: Phrase) -> bool:
    """Whether the beginning comes again in rhythm and notes, or all notes a step away."""
    for first, later in _windows(phrase):
        kept = max(len(first) - 2, 2)
        if len(later) >= kept and first[:kept] == later[:kept]:
            return True
    return False
