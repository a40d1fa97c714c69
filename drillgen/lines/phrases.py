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
from drillgen.drill.line_options import DEFAULT_CELLS, RhythmCell
from drillgen.drill.lines import Phrases
from drillgen.drill.melody import ScaleNote
from drillgen.lines.melody import Harmony, MelodyTone, pitch, tonic_of
from drillgen.lines.pass_context import PassContext
from drillgen.score import Note
from drillgen.theory.pitch import Pitch

# The rhythm of a phrase: cells one after another, some of them silent, and a breath at the end.

Rhythm = tuple[tuple[Fraction, Fraction], ...]  # start (from the phrase's) and length of each note
_THINNEST, _BUSIEST = 0.5, 2.0  # notes a beat at density 0 and 1: halves and eighths
_TASTE = 2.5  # how firmly cells are chosen by how busy they are
_TRIES = 12  # the last two without rests
_FEWEST = 2  # notes; one is no phrase


@dataclass(frozen=True, slots=True)
class PhraseTime:
    """The time that a phrase has, in quarter notes from the start of its first bar."""

    begin: Fraction
    end: Fraction  # where its last note must have ended
    bar: Fraction
    beat: Fraction


def rhythm(
    room: PhraseTime, cells: Sequence[RhythmCell], density: float, rests: float, random: Random
) -> Rhythm:
    """A rhythm put together from cells, each within its bar; where it can, of two notes or more,
    and with a note in the first bar and in the last, so that the call is heard as long as it is."""
    found: list[tuple[Fraction, Fraction]] = []
    for attempt in range(_TRIES):
        found = _drawn(room, cells, density, rests if attempt < _TRIES - 2 else 0.0, random)
        if len(found) >= _FEWEST and _fills(found, room):
            break
    return tuple(found)


def _fills(found: list[tuple[Fraction, Fraction]], room: PhraseTime) -> bool:
    first, last = found[0][0], found[-1][0]
    return first < room.bar and last >= (room.end - 1) // room.bar * room.bar


def _drawn(
    room: PhraseTime, cells: Sequence[RhythmCell], density: float, rests: float, random: Random
) -> list[tuple[Fraction, Fraction]]:
    found: list[tuple[Fraction, Fraction]] = []
    place = room.begin
    while place < room.end:
        left = room.bar - place % room.bar
        fitting = [cell for cell in cells if cell.length <= left]
        if not fitting:
            place += left
            continue
        weights = [_weight(cell, density, room.beat) for cell in fitting]
        cell = random.choices(fitting, weights)[0]
        silent = random.random() < rests
        for length, sounds in cell.lengths:
            if sounds and not silent and place < room.end:
                found.append((place, min(length, room.end - place)))
            place += length
    return found


def _weight(cell: RhythmCell, density: float, beat: Fraction) -> float:
    busy = float(cell.sounding * beat / cell.length)
    return exp(-_TASTE * abs(busy - (_THINNEST + density * (_BUSIEST - _THINNEST))))


def free_rhythm(room: PhraseTime, random: Random) -> Rhythm:
    """Eighths begun anywhere, for when cells have nothing new to say."""
    eighth = room.beat / (3 if room.beat % 1 else 2)
    count = (room.end - room.begin) // eighth
    chosen = random.randint(min(_FEWEST, count), count)
    places = sorted(random.sample(range(count), chosen))
    starts = [room.begin + eighth * place for place in places]
    ends = [*starts[1:], room.end]
    return tuple(
        (start, min(end - start, room.beat)) for start, end in zip(starts, ends, strict=True)
    )


_HEIGHTS = {"low": 0.3, "middle": 0.5, "high": 0.7}  # where in the range the notes lie
_CONTOURS: dict[str, Callable[[float], float]] = {
    "rise": lambda t: t,
    "fall": lambda t: 1 - t,
    "arch": lambda t: sin(pi * t),
    "valley": lambda t: 1 - sin(pi * t),
    "wave": lambda t: 0.5 + 0.5 * sin(2 * pi * t),
}  # height within the set (0 to 1) by place within the phrase
# How often: the same note, the next of the set, the next but one …
_MOVES = {0: 0.35, 1: 1.0, 2: 0.3, 3: 0.1}
_FAR = 0.03
_SHAPE = 2.0  # how firmly the contour is kept
_HOME = (0, 3, 4, 7)  # semitones of the tonic's chord, major or minor
_OPEN_SHARE = 0.5  # of mixed endings
_THIRDS_AND_ROOT = (0, 3, 4)  # on these a phrase sounds finished
_PHRASES_TRIES = 60  # to say something new with the cells; then as often with any rhythm


@dataclass(frozen=True, slots=True)
class _Call:
    """One call: its bars and what a phrase over them needs to know."""

    number: int  # within its pass, from 0
    bars: Sequence[Bar]
    pool: Sequence[ScaleNote]  # the notes in use, from low to high
    tonic: Pitch
    harmony: Harmony
    context: PassContext
    options: Phrases

    @property
    def room(self) -> PhraseTime:
        """From the beat on which it begins to a beat before it ends, to breathe."""
        bar, beat, begin = self.bars[0].length, self.context.beat, self.context.begin
        whole = min(self.options.length or len(self.bars), len(self.bars)) * bar
        return PhraseTime(begin, whole - beat if whole - begin > beat else whole, bar, beat)

    @property
    def random(self) -> Random:
        """The same in every pass where phrases may be repeated."""
        first = self.bars[0]
        place = "" if self.options.repeat else f" of pass {first.pass_number} in {first.key}"
        return Random(f"{self.context.track.seed} phrase {self.number}{place}")

    def chord_steps(self, time: tuple[Fraction, Fraction]) -> set[int]:
        """Semitones over the tonic of the chord under a note."""
        start = self.bars[0].start + time[0]
        cell = self.harmony.under(start, start + time[1])
        names = cell.chord.names if cell else ()
        return {(name.pitch_class - self.tonic.name.pitch_class) % 12 for name in names}


def write(context: PassContext, options: Phrases) -> list[Note]:
    """A phrase at the beginning of each call."""
    steps = (note.semitones for note in options.notes)
    tonic, pool = tonic_of(context, steps, _HEIGHTS[options.height]), _pool(context, options)
    harmony = Harmony(context.cells)
    notes: list[Note] = []
    for number, bars in enumerate(_calls(context.bars)):
        for tone in _new(_Call(number, bars, pool, tonic, harmony, context, options)):
            found = pitch(tonic, tone.note, context)
            start = bars[0].start + tone.start
            notes.append(Note(start, tone.duration, found, mark=str(tone.note.degree)))
    return notes


def _calls(bars: Sequence[Bar]) -> Iterator[list[Bar]]:
    """The bars of each call: neighbours that are no responses."""
    own = (bar for bar in bars if bar.role != "response")
    for _, run in groupby(enumerate(own), key=lambda pair: pair[1].number - pair[0]):
        yield [bar for _, bar in run]


def _pool(context: PassContext, options: Phrases) -> list[ScaleNote]:
    """The notes in use at this point of the track; all of them where it has one pass only."""
    stages = options.stages
    progress = context.progress if context.track.passes > 1 else 1.0
    stage = min(int(progress * len(stages)), len(stages) - 1)
    return sorted(options.notes[: stages[stage]], key=lambda note: note.semitones)


def _new(call: _Call) -> tuple[MelodyTone, ...]:
    """A phrase that this track has not had, unless phrases may be repeated."""
    random, said = call.random, call.context.track.said
    phrase: tuple[MelodyTone, ...] = ()
    for attempt in range(2 * _PHRASES_TRIES):
        phrase = _phrase(call, random, free=attempt >= _PHRASES_TRIES)
        if call.options.repeat or phrase not in said:
            break
    said.add(phrase)
    return phrase


def _phrase(call: _Call, random: Random, *, free: bool) -> tuple[MelodyTone, ...]:
    times = _times(call, random, free=free)
    if not times:
        return ()
    first = _of_rest(call.pool, call.chord_steps(times[0]))
    last = _of_rest(call.pool, call.chord_steps(times[-1]))
    ends = call.options.ends
    if ends == "open" or (ends == "mixed" and random.random() < _OPEN_SHARE):
        last = _open(call.pool)
    notes = _contour(times, call.pool, first, last, random)
    return tuple(MelodyTone(note, *time) for note, time in zip(notes, times, strict=True))


def _times(call: _Call, random: Random, *, free: bool) -> Rhythm:
    if free:
        return free_rhythm(call.room, random)
    options = call.options
    cells = options.cells or DEFAULT_CELLS[call.context.beat % 1 != 0]
    return rhythm(call.room, cells, options.density, options.rests, random)


def _of_rest(pool: Sequence[ScaleNote], chord: set[int]) -> set[int]:
    """Which notes of the pool (by index) a phrase can rest on."""
    return _on(pool, chord) or _on(pool, set(_HOME)) or set(range(len(pool)))


def _on(pool: Sequence[ScaleNote], steps: set[int]) -> set[int]:
    return {index for index, note in enumerate(pool) if note.semitones % 12 in steps}


def _open(pool: Sequence[ScaleNote]) -> set[int]:
    """Which of them leave a phrase open: not the tonic, and not its third where others can."""
    everything = set(range(len(pool)))
    return everything - _on(pool, {*_THIRDS_AND_ROOT}) or everything - _on(pool, {0}) or everything


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
            (_MOVES.get(abs(index - chosen[-1]), _FAR) if chosen else 1.0)
            * exp(-_SHAPE * abs(index / span - aim))
            for index in options
        ]
        chosen.append(random.choices(options, weights)[0])
    return [pool[index] for index in chosen]


def _worn(chosen: list[int]) -> set[int]:
    """A note that has just sounded twice is not struck a third time."""
    return set(chosen[-1:]) if len(chosen) > 1 and chosen[-1] == chosen[-2] else set()
