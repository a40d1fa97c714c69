"""Phrases for call and response, made from a few named notes.

Common practice: a motive moves mostly by step within the set; it returns a step of the set higher
or lower, or with another ending; a phrase has one highest note, sung once, on an accent; it begins
and ends on notes of rest; a long note agrees with its chord.

A motive, its return and an ending (`motives.py`, `forms.py`), sung on the named notes alone.
Common practice in teaching by ear: few notes, heard well; a beginning on a note
of rest and an ending on one (or on another, like a question); time to breathe before the answer.  A
note of rest is one that the chord contains, else the tonic's own chord.  No motive comes again
within four calls, unless asked; three calls from two notes are the lines of a blues, A A B.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from math import exp
from random import Random

from quicktions import Fraction

from drillgen.chart import Bar
from drillgen.drill.lines import Phrases
from drillgen.drill.melody import ScaleNote
from drillgen.lines.forms import Form, Wishes, laid_out
from drillgen.lines.melody import Harmony, MelodyTone, pitch, tonic_of
from drillgen.lines.motives import EIGHTH, Onsets, Time, quarters, source, ticks
from drillgen.lines.pass_context import PassContext
from drillgen.score import Note
from drillgen.theory.pitch import Pitch

Line = tuple[int, ...]  # places in the set, counted from its lowest note

# How often: the same note, the next of the set, the next but one …
_MOVES = {0: 0.3, 1: 1.0, 2: 0.25, 3: 0.06}
_FAR = 0.02
_SHAPE = 1.6  # how firmly a motive keeps to its contour
_CONTOURS = {  # where in the set a motive goes, from its first note to its last
    "up": (0.15, 0.75),
    "down": (0.85, 0.2),
    "over": (0.3, 0.8, 0.3),
    "under": (0.7, 0.15, 0.6),
    "home": (0.5, 0.5),
}
_VARIANTS = {1: 0.35, -1: 0.35, 0: 0.3}  # set steps by which a motive is moved when it returns
_TAIL = 0.5  # of answers from few notes say the motive's last ones again
_FEW_MOVES = 2  # set steps from the lowest of few notes to the highest
_ANSWERED_ANEW = 2  # notes in which a second answer differs from the first, or one from a tail
_NEW_END = 0.35  # of returns go another way from their last note but two
_AVOIDED = 3.0  # a note held a semitone over one of its chord's
_BLUE = (3, 6, 10)  # semitones over the tonic: they may be held over any chord
_WAYS_TRIED = 32
_LEAP = 5  # semitones
_REPEATED = 0.15  # of notes may be the one before again
_TURNS = 2  # in a bar: from two notes no more changes between them
_ANTICIPATED = 8.0  # a note an eighth before a bar line that is struck there again, not held
_UNANSWERED = 5.0  # from few notes: an answer that ends on the note that its question ended on
_STRUCK_TWICE = 2.8  # the last note of a phrase, struck just before it, too


@dataclass(frozen=True, slots=True)
class Ground:
    """What lies under a phrase's notes, in semitones over the tonic."""

    pool: Sequence[ScaleNote]  # from low to high
    first: frozenset[int]  # places in the pool
    last: frozenset[int]
    chords: Sequence[tuple[int, ...]]  # under each note: root, third, fifth …
    newest: int | None  # the place of the note that has just come in
    time: Time

    @property
    def top(self) -> int:
        return len(self.pool) - 1


def sung(form: Form, ground: Ground, random: Random, said: frozenset[Line]) -> Line:
    """Notes for every stroke of a form: the best of some ways to sing it; `said` are the first
    bars that would not be new."""
    ways = [_way(form, ground, random) for _ in range(_WAYS_TRIED)]
    if ground.top == 1:  # each to its last note from the other side as well
        ways += [(*way[:-2], 1 - way[-2], way[-1]) for way in ways if len(way) > 2]
    heard = _Heard.of(form, ground)
    best = min(ways, key=lambda way: _faults(form, way, heard, said) + random.random() / 2)
    return _without_avoided(form, best, heard, said)


def _without_avoided(form: Form, way: Line, heard: _Heard, said: frozenset[Line]) -> Line:
    """The same with other notes for those that are held a semitone over a tone of their chord, the
    fourth of a dominant, say (its avoid note, common practice)."""
    for index in range(len(way)):
        if heard.rubs[index][way[index]] >= _AVOIDED:
            others = [(*way[:index], n, *way[index + 1 :]) for n in range(heard.ground.top + 1)]
            way = min(others, key=lambda other: _faults(form, other, heard, said))
    return way


def _way(form: Form, ground: Ground, random: Random) -> Line:
    motive = _motive(len(form[0].strokes), ground, random)
    notes, answer, away = list(motive), list[int](), list[int]()
    for statement in form[1:]:
        count = len(statement.strokes)
        if statement.part == "answer":
            if not answer and ground.top <= _FEW_MOVES and random.random() < _TAIL:
                answer = motive[-count:]
            kept = answer[: max(count - _ANSWERED_ANEW, 0)]
            answer = kept + _walk(count - len(kept), (kept or notes)[-1:], ground, random)
            notes += answer
        elif statement.part == "departure":
            if away:
                away = _moved(away, ground, random)
            else:
                away = _walk(count, notes[-1:], ground, random)
            notes += away
        else:
            moved = _moved(motive, ground, random)[:count]
            if count > 2 and random.random() < _NEW_END:
                moved = moved[:-2]
            notes += moved + _walk(count - len(moved), [*moved[-1:]], ground, random)
            notes[-1] = _other_end(notes[-2], notes[-1], ground, random)
    if len(form) > 1 or len(notes) > 1:
        notes[-1] = _home(notes[-2], ground, random)
    return tuple(notes)


def _motive(count: int, ground: Ground, random: Random) -> list[int]:
    if ground.top == 1:
        return _of_two(count, random)
    start = [random.choice(sorted(ground.first))]
    return start + _walk(count - 1, start, ground, random)


def _of_two(count: int, random: Random) -> list[int]:
    """One note repeated, the other beside it."""
    main = random.randrange(2)
    notes = [main] * count
    for place in random.choice(((count - 1,), (0,), (count - 2,), (1, count - 1))):
        notes[place] = 1 - main
    return notes


def _walk(count: int, before: list[int], ground: Ground, random: Random) -> list[int]:
    """So many notes, mostly each the neighbour of the one before, along a drawn contour."""
    contour = _CONTOURS[random.choice(sorted(_CONTOURS))]
    found: list[int] = []
    for number in range(count):
        aim = _height(contour, (number + 1) / count) * ground.top
        last = [*before, *found][-1:]
        weights = [
            (_MOVES.get(abs(each - last[0]), _FAR) if last else 1.0)
            * exp(-_SHAPE * abs(each - aim) / max(ground.top, 1))
            for each in range(ground.top + 1)
        ]
        found.append(random.choices(range(ground.top + 1), weights)[0])
    return found


def _height(contour: Sequence[float], share: float) -> float:
    """How high a contour is after a share of its way."""
    place = share * (len(contour) - 1)
    index = min(int(place), len(contour) - 2)
    return contour[index] + (contour[index + 1] - contour[index]) * (place - index)


def _moved(motive: Sequence[int], ground: Ground, random: Random) -> list[int]:
    """The motive again, a step of the set away where the set goes on there."""
    steps = random.choices([*_VARIANTS], [*_VARIANTS.values()])[0]
    for move in (steps, -steps):
        if all(0 <= note + move <= ground.top for note in motive):
            return [note + move for note in motive]
    return list(motive)


def _other_end(before: int, last: int, ground: Ground, random: Random) -> int:
    """The last note of a return: as it is, or another one beside the note before it."""
    near = [n for n in (before - 1, before, before + 1) if 0 <= n <= ground.top]
    return random.choice([last, last, *near])


def _home(before: int, ground: Ground, random: Random) -> int:
    """A note to end on, near to the one before."""
    ends = sorted(ground.last)
    return random.choices(ends, [exp(-0.9 * abs(each - before)) for each in ends])[0]


@dataclass(frozen=True, slots=True)
class _Heard:
    """What every way to sing a form has in common."""

    ground: Ground
    strokes: Sequence[tuple[int, int]]
    short: Sequence[bool]  # of each stroke
    accented: Sequence[bool]
    rubs: Sequence[Sequence[float]]  # how each note of the pool would stand against its chord
    leads: Sequence[int]  # strokes an eighth before one on the next bar line
    keys: Sequence[int]  # semitones over the tonic of each note of the pool
    opening: int  # notes of the first bar

    @classmethod
    def of(cls, form: Form, ground: Ground) -> _Heard:
        time = ground.time
        strokes = [stroke for statement in form for stroke in statement.strokes]
        rubs = [
            [_rub(stroke, note, chord, ground) for note in range(ground.top + 1)]
            for stroke, chord in zip(strokes, ground.chords, strict=True)
        ]
        return cls(
            ground,
            strokes,
            [end - start < time.beat for start, end in strokes],
            [is_accented(stroke, time) for stroke in strokes],
            rubs,
            [
                index
                for index, ((start, _), (after, _)) in enumerate(pairwise(strokes))
                if after % time.bar == 0 and after - start <= EIGHTH
            ],
            [note.semitones for note in ground.pool],
            len(opening(form, time)),
        )


def _faults(form: Form, way: Line, heard: _Heard, said: frozenset[Line]) -> float:
    """What a teacher would mark in the notes."""
    ground, first = heard.ground, way[: heard.opening]
    keys = [heard.keys[note] for note in way]
    found = 50.0 * (first in said) + 3.0 * (way[0] not in ground.first)
    found += 2.0 * (ground.newest is not None and ground.newest not in way)
    found += _moves(way, keys, ground) + _returns(form, way) + _leaps(keys, heard.short)
    found += _ANTICIPATED * sum(way[index] == way[index + 1] for index in heard.leads)
    found += _from_few(form, way, ground) + _ending(way[-1], ground) + _peak(way, heard)
    return found + sum(rub[note] for rub, note in zip(heard.rubs, way, strict=True))


def _moves(way: Line, keys: Sequence[int], ground: Ground) -> float:
    """Wide leaps, leaps on in one direction, a note three times running, a trill, few notes."""
    leaps = [after - before for before, after in pairwise(keys)]
    found = sum(3.0 * (abs(leap) > 7) + 1.0 * (abs(leap) > 5) for leap in leaps)
    found += sum(
        1.5 for one, other in pairwise(leaps) if one * other > 0 and min(abs(one), abs(other)) > 3
    )
    few = ground.top == 1
    for one, two, three in zip(way, way[1:], way[2:], strict=False):
        found += (0.7 if few else 5.0) * (one == two == three)
    for four in zip(way, way[1:], way[2:], way[3:], strict=False):
        found += 4.0 * (four[0] == four[2] != four[1] == four[3]) * (not few)
        found += 8.0 * (len(set(four)) == 1)
    repeated = sum(leap == 0 for leap in leaps) - len(way) * (_REPEATED if not few else 0.5)
    found += 1.5 * max(repeated, 0)
    return found + 3.0 * max(min(3, ground.top + 1) - len(set(way)), 0)


def _from_few(form: Form, way: Line, ground: Ground) -> float:
    """From two or three notes: to and fro all the time, one of them all the time, and no answer to
    the first statement's ending."""
    if ground.top > 2:
        return 0.0
    changes = sum(one != other for one, other in pairwise(way))
    zigzags = sum(
        one == three != two for one, two, three in zip(way, way[1:], way[2:], strict=False)
    )
    bars = max((ground.time.end - ground.time.begin) / ground.time.unit, 1)
    found = 1.2 * max((changes if ground.top == 1 else zigzags) - _TURNS * bars, 0)
    found += 6.0 * (len(set(way)) == 1)
    half = form[: max(len(form) // 2, 1)]
    asked = way[sum(len(statement.strokes) for statement in half) - 1]
    finished = ground.pool[way[-1]].semitones % 12 == 0 or ground.top > 1
    unanswered = _UNANSWERED * (len(form) > 1 and asked == way[-1])
    return found + unanswered + 1.5 * (not finished)


def _returns(form: Form, way: Line) -> float:
    """A return that is the very same again, more so the second time; a last note that was struck
    just before it, more so the last of all."""
    found, place, said = 0.0, 0, list[Line]()
    for statement in form:
        line = way[place : place + len(statement.strokes)]
        found += 2.5 * (statement.part == "return") * said.count(line) ** 2
        again = len(line) > 1 and line[-1] == line[-2] and max(way) > 1
        found += (_STRUCK_TWICE if statement is form[-1] else 0.7) * again
        said.append(line)
        place += len(line)
    return found


def _leaps(keys: Sequence[int], short: Sequence[bool]) -> float:
    """Leaps of a fourth and more that are not turned back from, as to the last note, and those in
    the midst of short notes (common practice: a leap is filled, and heard where there is time)."""
    found, moves = 0.0, [b - a for a, b in pairwise(keys)]
    for index, move in enumerate(moves):
        if abs(move) >= _LEAP:
            turned = index + 1 < len(moves) and moves[index + 1] * move < 0
            found += 0.8 * short[index] + 1.2 * (not turned)
    return found


def _rub(stroke: tuple[int, int], note: int, chord: tuple[int, ...], ground: Ground) -> float:
    """How a note stands against its chord: long ones must agree, or be blue."""
    start, end = stroke
    place = ground.pool[note].semitones % 12
    if not chord or place in chord:
        return 0.0
    long = end - start >= ground.time.beat
    above = (place - 1) % 12 in chord and place not in _BLUE
    if long:
        return _AVOIDED if above else 0.8
    return 0.3 if ground.time.is_strong(start) else 0.0


def _ending(last: int, ground: Ground) -> float:
    """Nearest to home: the tonic, or another note of the chord's triad."""
    if last not in ground.last:
        return 100.0
    place, chord = ground.pool[last].semitones % 12, ground.chords[-1]
    return 0.0 if place == 0 else 0.3 if place in chord[:3] else 1.8


def _peak(way: Line, heard: _Heard) -> float:
    """One highest note, once, on an accent."""
    if heard.ground.top < 2:
        return 0.0
    top = max(way)
    peaks = [accent for accent, note in zip(heard.accented, way, strict=True) if note == top]
    return 4.0 * (len(peaks) - 1) + 1.5 * (not any(peaks))


def is_accented(stroke: tuple[int, int], time: Time) -> bool:
    """On a strong beat, a beat long on any beat, or held over a strong one from before it."""
    start, end = stroke
    long = end - start >= time.beat
    held = time.is_strong(start + EIGHTH) and end > start + EIGHTH
    return time.is_strong(start) or held or (long and time.is_on_beat(start))


def opening(form: Form, time: Time) -> Onsets:
    """Where the notes of a phrase's first bar begin."""
    strokes = (stroke for statement in form for stroke in statement.strokes)
    return tuple(start for start, _ in strokes if start < time.bar)


def second_line(form: Form, way: Line, ground: Ground, random: Random) -> Line:
    """The same words over the next chords, from two notes (the second line of an A A B): the other
    note where each statement ends or its bar does."""
    found, place = list(way), 0
    for statement in form:
        bar = statement.strokes[0][0] // ground.time.bar
        inside = [s for s, _ in statement.strokes if s // ground.time.bar == bar]
        turned = place + len(inside) - 1
        found[turned] = 1 - found[turned]
        place += len(statement.strokes)
    found[-1] = _home(found[-2], ground, random)
    return tuple(found)


_HEIGHTS = {"low": 0.3, "middle": 0.5, "high": 0.7}  # where in the range the notes lie
_HOME = (0, 3, 4, 7)  # semitones of the tonic's chord, major or minor
_OPEN_SHARE = 0.5  # of mixed endings
_THIRDS_AND_ROOT = (0, 3, 4)  # on these a phrase sounds finished
_REMEMBERED = 4  # calls
_LINES = 3  # of a blues
_TRIES, _TRIES_IN_A_BAR = 40, 8  # to say a whole phrase that the track has not had
_NEW_IN_A_BAR = 2  # … and in one bar, after so many, one whose beginning has not been heard lately
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
        enough = len(call.bars) == 1 and turn >= _NEW_IN_A_BAR
        if found.opening not in openings and (enough or whole not in track.said):
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
            one_note = len(set(found.notes)) == 1
            if not one_note and found.opening not in [said.opening for said in lately]:
                return found
    options = call.options
    wishes = Wishes(
        options.density,
        options.rests,
        len(pool),
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
