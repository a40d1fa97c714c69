"""Phrases for call and response, made from a few named notes.

A motive, its return and an ending (`motives.py`, `forms.py`), sung on the named notes alone
(`contours.py`).  Common practice in teaching by ear: few notes, heard well; a beginning on a note
of rest and an ending on one (or on another, like a question); time to breathe before the answer.  A
note of rest is one that the chord contains, else the tonic's own chord.  No motive comes again
within four calls, unless asked; three calls from two notes are the lines of a blues, A A B.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby
from random import Random

from drillgen.chart import Bar
from drillgen.drill.lines import Phrases
from drillgen.drill.melody import ScaleNote
from drillgen.lines.contours import Ground, Line, opening, second_line, sung
from drillgen.lines.forms import Form, Wishes, laid_out
from drillgen.lines.melody import Harmony, MelodyTone, pitch, tonic_of
from drillgen.lines.motives import Onsets, Time, quarters, source, ticks
from drillgen.lines.pass_context import PassContext
from drillgen.score import Note
from drillgen.theory.pitch import Pitch

_HEIGHTS = {"low": 0.3, "middle": 0.5, "high": 0.7}  # where in the range the notes lie
_HOME = (0, 3, 4, 7)  # semitones of the tonic's chord, major or minor
_OPEN_SHARE = 0.5  # of mixed endings
_THIRDS_AND_ROOT = (0, 3, 4)  # on these a phrase sounds finished
_REMEMBERED = 4  # calls
_LINES = 3  # of a blues
_TRIES, _TRIES_IN_A_BAR = 40, 8  # to say a whole phrase that the track has not had
_SAME_WORDS = 20  # … so many of them on the rhythm of the line before
_ROOM = 3  # beats: a shorter call is used to its end, without a breath


@dataclass(frozen=True, slots=True)
class _Said:
    """A phrase that was called: its rhythm and its notes."""

    number: int  # of the call, from 0 through the track or, where phrases repeat, the pass
    form: Form
    notes: tuple[ScaleNote, ...]
    time: Time

    @property
    def strokes(self) -> tuple[tuple[int, int], ...]:
        """Where each note begins and ends, however its motives divide it."""
        return tuple(stroke for statement in self.form for stroke in statement.strokes)

    @property
    def heard(self) -> tuple[tuple[tuple[int, int], ...], tuple[ScaleNote, ...]]:
        """When its notes begin and end, and which they are."""
        return self.strokes, self.notes

    @property
    def rhythm(self) -> Onsets:
        """Where its motive's notes begin, counted from where phrases do."""
        return tuple(start - self.time.begin for start, _ in self.form[0].strokes)

    @property
    def opening(self) -> tuple[Onsets, tuple[ScaleNote, ...]]:
        """What is heard in its first bar."""
        onsets = opening(self.form, self.time)
        return onsets, self.notes[: len(onsets)]


@dataclass(frozen=True, slots=True)
class _Call:
    """One call: its bars and what a phrase over them needs to know."""

    number: int  # within its pass, from 0
    of: int  # calls in the pass
    bars: Sequence[Bar]
    tonic: Pitch
    harmony: Harmony
    context: PassContext
    options: Phrases

    @property
    def time(self) -> Time:
        """From the beat on which it begins to a beat before it ends, to breathe; an ending whose
        length is asked for may last through that."""
        options = self.options
        bar, beat, begin = self.bars[0].length, self.context.beat, self.context.begin
        whole = min(options.length or len(self.bars), len(self.bars)) * bar
        breathes = whole - begin >= _ROOM * beat and options.ends.length is None
        breath = beat if bar > 2 * beat or beat == 1 else Fraction(1, 2)  # 6/8 has no beat to spare
        end = whole - breath if breathes else whole
        return Time(ticks(begin), ticks(end), ticks(bar), ticks(beat))

    @property
    def random(self) -> Random:
        """The same in every pass where phrases may be repeated."""
        first = self.bars[0]
        place = "" if self.options.repeat else f" of pass {first.pass_number} in {first.key}"
        return Random(f"{self.context.track.seed} phrase {self.number}{place}")

    @property
    def stage(self) -> int:
        """How far the set has grown: with the passes or, where these are fewer than its stages,
        with the calls through them all."""
        stages, passes = len(self.options.stages), self.context.track.passes
        share = self.context.progress
        if passes < stages:
            share = (round(share * (passes - 1)) + self.number / self.of) / passes
        return min(int(share * stages), stages - 1)

    @property
    def pool(self) -> list[ScaleNote]:
        """The notes in use, from low to high."""
        count = self.options.stages[self.stage]
        return sorted(self.options.notes[:count], key=lambda note: note.semitones)

    def chord_under(self, start: int, end: int) -> tuple[int, ...]:
        """Semitones over the tonic of the chord under a note: root, third, fifth …"""
        first = self.bars[0].start
        cell = self.harmony.under(first + quarters(start), first + quarters(end))
        names = cell.chord.names if cell else ()
        return tuple((name.pitch_class - self.tonic.name.pitch_class) % 12 for name in names)


def write(context: PassContext, options: Phrases) -> list[Note]:
    """A phrase at the beginning of each call."""
    steps = (note.semitones for note in options.notes)
    tonic, harmony = tonic_of(context, steps, _HEIGHTS[options.height]), Harmony(context.cells)
    calls = list(_calls(context.bars))
    notes: list[Note] = []
    for number, bars in enumerate(calls):
        call = _Call(number, len(calls), bars, tonic, harmony, context, options)
        for tone in _tones(_new(call)):
            found = pitch(tonic, tone.note, context)
            start = bars[0].start + tone.start
            notes.append(Note(start, tone.duration, found, mark=str(tone.note.degree)))
    return notes


def _calls(bars: Sequence[Bar]) -> Iterator[list[Bar]]:
    """The bars of each call: neighbours that are no responses."""
    own = (bar for bar in bars if bar.role != "response")
    for _, run in groupby(enumerate(own), key=lambda pair: pair[1].number - pair[0]):
        yield [bar for _, bar in run]


def _tones(said: _Said) -> tuple[MelodyTone, ...]:
    return tuple(
        MelodyTone(note, quarters(start), quarters(end - start))
        for note, (start, end) in zip(said.notes, said.strokes, strict=True)
    )


def _new(call: _Call) -> _Said:
    """A phrase whose motive was not heard lately and, if that can be, that is new as a whole."""
    track, random, bar = call.context.track, call.random, call.bars[0]
    where = (bar.key_number, bar.pass_number) if call.options.repeat else None
    calls: list[_Said] = track.called.setdefault(where, [])
    lately = calls[-_REMEMBERED:]
    openings = [said.opening for said in lately]
    for turn in range(_TRIES if len(call.bars) > 1 else _TRIES_IN_A_BAR):
        found = _phrase(call, len(calls), lately, random, turn)
        whole = where, found.heard
        if found.opening not in openings and whole not in track.said:
            break
    calls.append(found)
    track.said.add(whole)
    return found


def _phrase(call: _Call, number: int, lately: Sequence[_Said], random: Random, turn: int) -> _Said:
    pool, time = call.pool, call.time
    before = next((said for said in lately if said.number == number - 1), None)
    second_of_three = call.of % _LINES == 0 and call.number % _LINES == 1
    if len(pool) == 2 and second_of_three and before and turn < _SAME_WORDS:
        ground = _ground(call, before.form, random)
        way = second_line(before.form, _places(before.notes, pool), ground, random)
        second = _Said(number, before.form, tuple(pool[place] for place in way), time)
        others = _sung(call, number, before.form, lately, random)
        for found in (others,) if turn else (second, others):
            if found.opening not in [said.opening for said in lately]:
                return found
    options = call.options
    wishes = Wishes(
        options.density,
        options.rests,
        len(pool) == 2,
        ticks(options.ends.length or Fraction(0)),
        frozenset(said.rhythm for said in lately),
    )
    form = laid_out(source(options.cells, time), wishes, random)
    return _sung(call, number, form, lately, random)


def _sung(call: _Call, number: int, form: Form, lately: Sequence[_Said], random: Random) -> _Said:
    pool, onsets = call.pool, opening(form, call.time)
    openings = [said.opening for said in lately]
    heard = frozenset(_places(notes, pool) for places, notes in openings if places == onsets)
    way = sung(form, _ground(call, form, random), random, heard)
    return _Said(number, form, tuple(pool[place] for place in way), call.time)


def _places(notes: Sequence[ScaleNote], pool: Sequence[ScaleNote]) -> Line:
    """Where notes lie in the set; -1 where it has not got them."""
    return tuple(pool.index(note) if note in pool else -1 for note in notes)


def _ground(call: _Call, form: Form, random: Random) -> Ground:
    pool = call.pool
    strokes = [stroke for statement in form for stroke in statement.strokes]
    chords = [call.chord_under(*stroke) for stroke in strokes]
    last = _of_rest(pool, chords[-1])
    ends = call.options.ends.on
    if ends == "open" or (ends == "mixed" and random.random() < _OPEN_SHARE):
        last = _open(pool)
    newest = None
    if call.stage:
        newest = pool.index(call.options.notes[len(pool) - 1])
    return Ground(pool, _of_rest(pool, chords[0]), last, chords, newest, call.time)


def _of_rest(pool: Sequence[ScaleNote], chord: Sequence[int]) -> frozenset[int]:
    """Which notes of the pool (by index) a phrase can rest on."""
    for steps in (chord, _HOME):
        found = {index for index, note in enumerate(pool) if note.semitones % 12 in steps}
        if found:
            return frozenset(found)
    return frozenset(range(len(pool)))


def _open(pool: Sequence[ScaleNote]) -> frozenset[int]:
    """Which of them leave a phrase open: not the tonic, and not its third where others can."""
    for finished in (_THIRDS_AND_ROOT, (0,)):
        found = {i for i, note in enumerate(pool) if note.semitones % 12 not in finished}
        if found:
            return frozenset(found)
    return frozenset(range(len(pool)))
