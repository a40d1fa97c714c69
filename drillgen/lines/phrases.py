"""Phrases for call and response, made from a few named notes.

Common practice in teaching by ear: few notes, heard well; mostly steps within the set; a contour; a
beginning on a note of rest and an ending on one (or on another, like a question); time to breathe
before the answer.  A note of rest is one that the chord contains, else the tonic's own chord.
No two phrases of a track have the same notes and rhythm, seen from their tonic, unless asked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby
from math import exp, pi, sin
from random import Random

from drillgen.chart import Bar
from drillgen.drill.lines import Phrases
from drillgen.drill.notation import ScaleNote
from drillgen.drill.rhythm import DEFAULT_CELLS
from drillgen.lines.melodic import Harmony, Tone, pitch, tonics
from drillgen.lines.phrase_rhythm import Rhythm, Room, free_rhythm, rhythm
from drillgen.lines.stretch import Stretch
from drillgen.score import Note
from drillgen.theory.pitch import Pitch

KIND = "phrases"
_HEIGHTS = {"low": 0.3, "middle": 0.5, "high": 0.7}  # where in the range the notes lie
_CONTOURS: dict[str, Callable[[float], float]] = {
    "rise": lambda t: t,
    "fall": lambda t: 1 - t,
    "arch": lambda t: sin(pi * t),
    "valley": lambda t: 1 - sin(pi * t),
    "wave": lambda t: 0.5 + 0.5 * sin(2 * pi * t),
}  # height within the set (0 to 1) by place within the phrase
_MOVES = (0.35, 1.0, 0.3, 0.1)  # how often: the same note, the next of the set, the next but one …
_FAR = 0.03
_SHAPE = 2.0  # how firmly the contour is kept
_HOME = (0, 3, 4, 7)  # semitones of the tonic's chord, major or minor
_OPEN_SHARE = 0.5  # of mixed endings
_THIRDS_AND_ROOT = (0, 3, 4)  # on these a phrase sounds finished
_TRIES = 60  # to say something new with the cells; then as often with any rhythm


@dataclass(frozen=True, slots=True)
class _Call:
    """One call: its bars and what a phrase over them needs to know."""

    number: int  # within its pass, from 0
    bars: Sequence[Bar]
    pool: Sequence[ScaleNote]  # the notes in use, from low to high
    tonic: Pitch
    harmony: Harmony
    stretch: Stretch
    options: Phrases

    @property
    def room(self) -> Room:
        """From the beat on which it begins to a beat before it ends, to breathe."""
        bar, beat, begin = self.bars[0].length, self.stretch.beat, self.stretch.begin
        whole = min(self.options.length or len(self.bars), len(self.bars)) * bar
        return Room(begin, whole - beat if whole - begin > beat else whole, bar, beat)

    @property
    def random(self) -> Random:
        """The same in every pass where phrases may be repeated."""
        first = self.bars[0]
        place = "" if self.options.repeat else f" of pass {first.pass_number} in {first.key}"
        return Random(f"{self.stretch.track.seed} phrase {self.number}{place}")

    def chord_steps(self, time: tuple[Fraction, Fraction]) -> set[int]:
        """Semitones over the tonic of the chord under a note."""
        start = self.bars[0].start + time[0]
        cell = self.harmony.under(start, start + time[1])
        names = cell.chord.names if cell else ()
        return {(name.pitch_class - self.tonic.name.pitch_class) % 12 for name in names}


def write(stretch: Stretch, options: Phrases) -> list[Note]:
    """A phrase at the beginning of each call."""
    tonic, pool = _tonic(stretch, options), _pool(stretch, options)
    harmony = Harmony(stretch.cells)
    notes: list[Note] = []
    for number, bars in enumerate(_calls(stretch.bars)):
        for tone in _new(_Call(number, bars, pool, tonic, harmony, stretch, options)):
            found = pitch(tonic, tone.note, stretch.low, stretch.high)
            start = bars[0].start + tone.start
            notes.append(Note(start, tone.duration, found, mark=str(tone.note.degree)))
    return notes


def _tonic(stretch: Stretch, options: Phrases) -> Pitch:
    steps = frozenset(note.semitones for note in options.notes)
    low, high = stretch.low, stretch.high
    middle = low + _HEIGHTS[options.height] * (high - low)
    return tonics(stretch.track.keys, steps, low, high, middle)[stretch.bars[0].key_number]


def _calls(bars: Sequence[Bar]) -> Iterator[list[Bar]]:
    """The bars of each call: neighbours that are no responses."""
    own = (bar for bar in bars if bar.role != "response")
    for _, run in groupby(enumerate(own), key=lambda pair: pair[1].number - pair[0]):
        yield [bar for _, bar in run]


def _pool(stretch: Stretch, options: Phrases) -> list[ScaleNote]:
    """The notes in use at this point of the track; all of them where it has one pass only."""
    stages = options.stages
    progress = stretch.progress if stretch.track.passes > 1 else 1.0
    stage = min(int(progress * len(stages)), len(stages) - 1)
    return sorted(options.notes[: stages[stage]], key=lambda note: note.semitones)


def _new(call: _Call) -> tuple[Tone, ...]:
    """A phrase that this track has not had, unless phrases may be repeated."""
    random, said = call.random, call.stretch.track.said
    phrase: tuple[Tone, ...] = ()
    for attempt in range(2 * _TRIES):
        phrase = _phrase(call, random, free=attempt >= _TRIES)
        if call.options.repeat or phrase not in said:
            break
    said.add(phrase)
    return phrase


def _phrase(call: _Call, random: Random, *, free: bool) -> tuple[Tone, ...]:
    times = _times(call, random, free=free)
    if not times:
        return ()
    first = _of_rest(call.pool, call.chord_steps(times[0]))
    last = _of_rest(call.pool, call.chord_steps(times[-1]))
    ends = call.options.ends
    if ends == "open" or (ends == "mixed" and random.random() < _OPEN_SHARE):
        last = _open(call.pool)
    notes = _contour(times, call.pool, first, last, random)
    return tuple(Tone(note, *time) for note, time in zip(notes, times, strict=True))


def _times(call: _Call, random: Random, *, free: bool) -> Rhythm:
    if free:
        return free_rhythm(call.room, random)
    options = call.options
    cells = options.cells or DEFAULT_CELLS[call.stretch.beat % 1 != 0]
    return rhythm(call.room, cells, options.density, options.rests, random)


def _of_rest(pool: Sequence[ScaleNote], chord: set[int]) -> set[int]:
    """Which notes of the pool (by index) a phrase can rest on."""
    for steps in (chord, set(_HOME)):
        found = {index for index, note in enumerate(pool) if note.semitones % 12 in steps}
        if found:
            return found
    return set(range(len(pool)))


def _open(pool: Sequence[ScaleNote]) -> set[int]:
    """Which of them leave a phrase open: not the tonic, and not its third where others can."""
    for finished in (_THIRDS_AND_ROOT, (0,)):
        found = {i for i, note in enumerate(pool) if note.semitones % 12 not in finished}
        if found:
            return found
    return set(range(len(pool)))


def _contour(
    times: Rhythm, pool: Sequence[ScaleNote], first: set[int], last: set[int], random: Random
) -> list[ScaleNote]:
    """A note for each time: mostly the neighbour of the one before, along a drawn contour."""
    height = _CONTOURS[random.choice(sorted(_CONTOURS))]
    span = max(len(pool) - 1, 1)
    chosen: list[int] = []
    for place in range(len(times)):
        aim = height(place / max(len(times) - 1, 1))
        allowed = last if place == len(times) - 1 else first if place == 0 else range(len(pool))
        options = sorted(set(allowed) - _worn(chosen)) or sorted(allowed)
        weights = [
            (_move(abs(index - chosen[-1])) if chosen else 1.0)
            * exp(-_SHAPE * abs(index / span - aim))
            for index in options
        ]
        chosen.append(random.choices(options, weights)[0])
    return [pool[index] for index in chosen]


def _move(distance: int) -> float:
    return _MOVES[distance] if distance < len(_MOVES) else _FAR


def _worn(chosen: list[int]) -> set[int]:
    """A note that has just sounded twice is not struck a third time."""
    return set(chosen[-1:]) if len(chosen) > 1 and chosen[-1] == chosen[-2] else set()
