"""Lines as a person writes them: melodies, and riffs kept over every chord.

A melody is carried from chord to chord, or played as written; a riff is a figure in degrees of the
tonic.

A note that contradicts the chord moves by a semitone into it (common practice: over IV7 the tonic's
major third becomes minor, being that chord's seventh).  A note contradicts a chord where it is
neither a tone of the chord nor of its scale and lies a semitone from one of the chord's tones.  It
keeps its letter where the chord or its scale has that letter a semitone away, else it goes to a
chord tone, else to a scale tone; down rather than up.  Blue notes may stay (common practice): the
tonic's b3, b5 and b7 over every chord, and over a dominant chord its own minor third (its #9).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import groupby
from random import Random

from quicktions import Fraction

from drillgen.chart import Bar
from drillgen.drill.lines import Develop, Riff, Written
from drillgen.drill.melody import Melody, ScaleNote
from drillgen.lines.pass_context import Cell, PassContext, readable
from drillgen.score import Note
from drillgen.theory.pitch import MAJOR_FIFTHS, Degree, Key, Name, Pitch
from drillgen.theory.scales import chord_scale

# Melodies of scale notes: where the tonic lies in each key, and the notes over a pass's bars.

# What the places of the tonics cost; the whole cycle of keys is weighed at once.
_OUTSIDE = 100_000.0  # a note beyond the range
_WISHED = 3.0  # a semitone away from where the first key should lie
_AS_WRITTEN = 1_000.0  # the same where the melody names its octave
_DRIFTED = 1.0  # a semitone away from there, in every key
_LOW = 4.0  # a semitone of its lowest note below where it is clear of the band's bass
_Way = tuple[float, tuple[Pitch, ...]]  # what it costs, and the tonics so far


@dataclass(frozen=True, slots=True)
class MelodyTone:
    """A note of a melody, ties made into one length."""

    note: ScaleNote
    start: Fraction  # quarter notes from the first full bar; a pick-up's are negative
    duration: Fraction  # quarter notes

    @property
    def end(self) -> Fraction:
        return self.start + self.duration


@dataclass(frozen=True, slots=True)
class Tune:
    """A melody without its bar lines."""

    tones: tuple[MelodyTone, ...]
    bars: int  # a pick-up and the bar that leaves room for it count as one
    tonic: Pitch | None = None  # what its degrees are counted from, where they have an octave

    @property
    def notes(self) -> tuple[ScaleNote, ...]:
        return tuple(tone.note for tone in self.tones)


@dataclass(frozen=True, slots=True)
class PlacedTone:
    """A tone over a bar of the pass, cut where the neighbouring bars end."""

    tone: MelodyTone
    downbeat: Fraction  # of its bar; a pick-up's is the bar that it leads to
    start: Fraction  # quarter notes from the track's start
    duration: Fraction  # quarter notes

    @property
    def heard_in(self) -> tuple[Fraction, Fraction]:
        """The time by which its chord is found: a pick-up belongs to the chord it leads to."""
        start = max(self.start, self.downbeat)
        return start, max(self.start + self.duration, start)


def tune(melody: Melody, bar: Fraction, home: Key) -> Tune:
    """The notes of a melody where a bar has `bar` quarter notes; notes by name are in `home`."""
    pickup = melody.pickup(bar)
    tonic = Pitch(home.tonic, 2)
    tones: list[MelodyTone] = []
    tied = False
    place = -pickup
    for index, written in enumerate(melody.bars):
        for event in written.events:
            if tied:
                tones[-1] = MelodyTone(
                    tones[-1].note, tones[-1].start, tones[-1].duration + event.duration
                )
            elif event.tone is not None:
                note = _scale_note(event.tone, tonic)
                tones.append(MelodyTone(note, place + event.start, event.duration))
            tied = event.tied
        place += pickup if pickup and index == 0 else bar
    named = any(isinstance(tone, Pitch) for tone in melody.tones)
    return Tune(tuple(tones), len(melody.bars) - bool(pickup), tonic if named else None)


def _scale_note(tone: ScaleNote | Pitch, tonic: Pitch) -> ScaleNote:
    if isinstance(tone, ScaleNote):
        return tone
    degree = degree_over(tonic.name, tone.name)
    return ScaleNote(degree, (tone.midi - tonic.up(degree).midi) // 12)


def degree_over(tonic: Name, name: Name) -> Degree:
    """What a name is over a tonic, from 1 to 7: Eb over C is b3."""
    fifths = name.fifths - tonic.fifths
    step = next(step for step in range(7) if (fifths - MAJOR_FIFTHS[step]) % 7 == 0)
    return Degree(step + 1, (fifths - MAJOR_FIFTHS[step]) // 7)


def pitch(tonic: Pitch, note: ScaleNote, context: PassContext) -> Pitch:
    """A note over its tonic; by itself in another octave only where it would leave the range."""
    return context.within(readable(tonic.up(note.degree).octaves(note.octaves)))


def tonic_of(
    context: PassContext, semitones: Iterable[int], height: float, written: Pitch | None = None
) -> Pitch:
    """The tonic of a pass for a melody with these semitones over it, which lies so high in the
    range (0 to 1) in the first key, or where it was `written`: over that tonic."""
    middle = context.low + height * (context.high - context.low)
    keys, steps = context.track.keys, frozenset(semitones)
    clear_of = context.low if written else context.clear_of
    places = tonics(keys, steps, context.low, context.high, middle, written, clear_of)
    return places[context.bars[0].key_number]


@lru_cache(maxsize=64)
def tonics(
    keys: tuple[Key, ...],
    semitones: frozenset[int],
    low: int,
    high: int,
    middle: float,
    written: Pitch | None = None,
    clear_of: int = 0,
) -> tuple[Pitch, ...]:
    """The tonic of each key, so that melodies with these semitones over it lie in the range and
    move as little as they can from key to key through the whole cycle.

    The first key's melody lies close to `middle` (a MIDI key) or where it was `written`.  One wider
    than the range lies where the fewest of its notes are outside.  Who can keeps `clear_of` a bass.
    """
    centre = (min(semitones) + max(semitones)) / 2
    wished = written.midi if written else middle - centre
    ways: dict[Pitch, _Way] = {}
    for number, key in enumerate(keys):
        reached: dict[Pitch, _Way] = {}
        for tonic in (Pitch(key.tonic, octave) for octave in range(10)):
            beyond = sum(not low <= tonic.midi + step <= high for step in semitones)
            away = abs(tonic.midi - wished)
            low_by = max(clear_of - tonic.midi - min(semitones), 0)
            if number == 0:
                best: _Way = (away * (_AS_WRITTEN if written else _WISHED), ())
            else:
                best = min((_moved(way, tonic) for way in ways.values()), key=_cost)
            cost = beyond * _OUTSIDE + away * _DRIFTED + low_by * _LOW
            reached[tonic] = (best[0] + cost, (*best[1], tonic))
        ways = reached
    return min(ways.values(), key=_cost)[1]


def _cost(way: _Way) -> float:
    return way[0]


def _moved(way: _Way, tonic: Pitch) -> _Way:
    distance = tonic.midi - way[1][-1].midi
    return way[0] + distance**2, way[1]


def over(
    tones: Sequence[MelodyTone], first: int, bars: Sequence[Bar], ends: Sequence[Fraction]
) -> Iterator[PlacedTone]:
    """The tones of a melody that begins with bar `first`, where that is not a response's.

    What is tied over a gap is struck again after it.
    """
    length = bars[0].length
    for tone in tones:
        inside = max(tone.start // length, 0)
        index = first + inside
        if not 0 <= index < len(bars) or bars[index].role == "response":
            continue
        start = bars[index].start + tone.start - inside * length
        left = tone.duration if start >= 0 else Fraction(0)
        while left > 0 and index < len(bars):
            held = min(left, ends[index] - start)
            yield PlacedTone(tone, bars[index].start, start, held)
            left -= held
            index = bisect_left(ends, ends[index] + 1, lo=index)
            start = bars[index].start if index < len(bars) else start


def run_ends(bars: Sequence[Bar]) -> list[Fraction]:
    """For each bar, where it and the bars that follow it without a gap end."""
    ends: list[Fraction] = []
    for index in range(len(bars) - 1, -1, -1):
        bar = bars[index]
        goes_on = bool(ends) and bars[index + 1].start == bar.end
        ends.append(ends[-1] if goes_on else bar.end)
    return ends[::-1]


class Harmony:
    """Which chord a note belongs to."""

    def __init__(self, cells: Sequence[Cell]) -> None:
        self._cells = cells
        self._starts = [cell.span.start for cell in cells]

    def under(self, start: Fraction, end: Fraction) -> Cell | None:
        """The chord over which most of a note sounds, the later of two: a note that anticipates a
        chord belongs to it.  None where there is no chord."""
        first = max(bisect_right(self._starts, start) - 1, 0)
        last = max(bisect_left(self._starts, end), first + 1)
        shared = [
            (min(end, cell.span.end) - max(start, cell.span.start), index)
            for index, cell in enumerate(self._cells[first:last], first)
            if cell.span.end > start
        ]
        return self._cells[max(shared)[1]] if shared else None


# Written melodies: the user's own, the same over the tonic in every key.
#
# A melody moves to each key as a whole, up or down by as little as the cycle allows, and is folded
# by octaves as a whole. Notes by name keep their octave in the first key where the range holds
# them.

_HIGH_IN_THE_RANGE = 0.5  # where the middle of a melody in degrees lies in the first key


def write_melody(context: PassContext, options: Written) -> list[Note]:
    """The melody from the beginning of the pass: again and again, or once."""
    melody = tune(options.notes, context.bars[0].length, context.home)
    steps = (note.semitones for note in melody.notes)
    tonic = tonic_of(context, steps, _HIGH_IN_THE_RANGE, melody.tonic)
    notes = []
    for placed in _placed(melody, context.bars, options.then):
        found = pitch(tonic, placed.tone.note, context)
        mark = str(degree_over(tonic.name, found.name))
        notes.append(Note(placed.start, placed.duration, found, mark=mark))
    return notes


def _placed(melody: Tune, bars: Sequence[Bar], then: str) -> Iterator[PlacedTone]:
    """Its tones over a pass; a jump to the coda leaves out the bars between, and a melody that
    does not reach so far begins again there."""
    jump = next((i for i, bar in enumerate(bars) if bar.form_bar > i), len(bars))
    for run in filter(None, (bars[:jump], bars[jump:])):
        begins = run[0].form_bar
        reached = begins < melody.bars
        times = range(-begins if reached else 0, len(run), melody.bars)
        tones = [tone for tone in melody.tones if not begins or tone.start >= 0]  # no pick-up
        for first in times if then == "repeat" else times[:reached]:
            yield from over(tones, first, run, run_ends(run))


# Developing a riff: one change each time round, all else kept.
#
# `note`: one note becomes another of the riff's own. `rhythm`: one note begins an eighth sooner or
# later (a sixteenth, where nothing else can be done). The first note always stays, so that the riff
# is known again. Where there is a choice, at least half of the notes are as written, a change is
# not taken back at once, and no note sounds three times running.

Tones = tuple[MelodyTone, ...]
_STEPS = (Fraction(1, 2), Fraction(1, 4))  # quarter notes by which a note is moved
_FAR = 7  # semitones: a changed note stays within a fifth of what it was
_REMEMBERED = 4  # times round that are not said again
_DULL = 3  # times running


@lru_cache(maxsize=32)
def developed(
    tones: Tones, develop: Develop, count: int, bar: Fraction, seed: str
) -> tuple[Tones, ...]:
    """The riff each of `count` times round, each one change away from the one before.

    Where nothing can be changed (a single note, say), the riff stays as it is.
    """
    times = [tones]
    random = Random(seed)
    while len(times) < count:
        choices = list(_changes(times[-1], develop, bar, tones)) or [times[-1]]
        merits = [_merit(choice, times) for choice in choices]
        best = [
            choice for choice, merit in zip(choices, merits, strict=True) if merit == max(merits)
        ]
        times.append(random.choice(best))
    return tuple(times)


def _merit(changed: Tones, times: Sequence[Tones]) -> int:
    """How many of the wishes a change fulfils."""
    runs = groupby(changed, key=lambda tone: tone.note)
    longest = max(len(list(run)) for _, run in runs)
    return (
        (_different(changed, times[0]) <= len(changed) // 2)
        + (changed not in times[-_REMEMBERED:])
        + (longest < _DULL)
    )


def _different(changed: Tones, tones: Tones) -> int:
    """How many notes are not as written."""
    pairs = zip(changed, tones, strict=True)
    return sum((new.note, new.start) != (old.note, old.start) for new, old in pairs)


def _changes(tones: Tones, develop: Develop, bar: Fraction, riff: Tones) -> Iterator[Tones]:
    """Every change that could come next."""
    if develop == "note":
        yield from _other_notes(tones, {tone.note for tone in riff})
    elif develop == "rhythm":
        for step in _STEPS:
            moved = list(_other_places(tones, bar, step))
            yield from moved
            if moved:
                return


def _other_notes(tones: Tones, own: set[ScaleNote]) -> Iterator[Tones]:
    for index, tone in enumerate(tones[1:], 1):
        for note in sorted(own, key=lambda note: note.semitones):
            if 0 < abs(note.semitones - tone.note.semitones) <= _FAR:
                yield (*tones[:index], replace(tone, note=note), *tones[index + 1 :])


def _other_places(tones: Tones, bar: Fraction, step: Fraction) -> Iterator[Tones]:
    """One note sooner or later within its bar; what stands before it gives or takes the time, and
    so does the note itself, unless there is a rest behind it to move into."""
    end = -(-tones[-1].end // bar) * bar
    for index, tone in enumerate(tones[1:], 1):
        before = tones[index - 1]
        after = tones[index + 1].start if index + 1 < len(tones) else end
        joined = before.end == tone.start
        if tone.start < 0 or tone.start % step:
            continue
        for move in (-step, step):
            start = tone.start + move
            last = tone.end + move if 0 < move <= after - tone.end else tone.end
            kept = replace(before, duration=start - before.start) if joined else before
            same_bar = start // bar == tone.start // bar
            if same_bar and kept.end <= start and min(kept.duration, last - start) >= step:
                moved = replace(tone, start=start, duration=last - start)
                yield (*tones[: index - 1], kept, moved, *tones[index + 1 :])


_BLUE = (3, 6, 10)  # semitones over the tonic: b3, b5, b7
_NINE = Degree(9, 1).semitones  # #9


def write_riff(context: PassContext, options: Riff) -> list[Note]:
    """The riff from the beginning of the pass, as often as there is room."""
    riff = tune(options.notes, context.bars[0].length, context.home)
    tonic = _tonic(riff, context)
    harmony = Harmony(context.cells)
    notes = []
    for placed in _rounds(riff, context, options.develop):
        found = pitch(tonic, placed.tone.note, context)
        cell = harmony.under(*placed.heard_in)
        if cell is not None:
            found = context.within(fitted(found, cell, tonic, blue=options.blue))
        mark = str(degree_over(tonic.name, found.name))
        notes.append(Note(placed.start, placed.duration, found, mark=mark))
    return notes


def _tonic(riff: Tune, context: PassContext) -> Pitch:
    """The key's tonic, with a semitone to spare at either end for notes that move."""
    spare = (note.semitones + move for note in riff.notes for move in (-1, 0, 1))
    return tonic_of(context, spare, _HIGH_IN_THE_RANGE)


def _rounds(riff: Tune, context: PassContext, develop: Develop) -> Iterator[PlacedTone]:
    """Each time round; where the riff develops, one change further than the last one heard.

    The changes are the same in every key, which begins with the riff as written.
    """
    bars, track = context.bars, context.track
    passes = track.passes // len(track.keys)
    count = passes * -(-len(bars) // riff.bars)  # times round in a key, heard or not
    times = developed(riff.tones, develop, count, bars[0].length, f"{track.seed} riff")
    heard = _heard(context)
    ends = run_ends(bars)
    for first in range(0, len(bars), riff.bars):
        played = list(over(times[heard], first, bars, ends))
        if played:
            track.said.add(("riff", bars[0].key_number, heard))
            heard += 1
        yield from played


def _heard(context: PassContext) -> int:
    """How often the riff has been heard in earlier passes of this key."""
    key = context.bars[0].key_number
    return sum(isinstance(what, tuple) and what[:2] == ("riff", key) for what in context.track.said)


def fitted(note: Pitch, cell: Cell, tonic: Pitch, *, blue: bool) -> Pitch:
    """The note, or what it becomes where it contradicts the chord."""
    chord = cell.chord
    sharp_nine = chord.is_dominant and (note.midi - _NINE - chord.root.pitch_class) % 12 == 0
    if blue and (sharp_nine or (note.midi - tonic.midi) % 12 in _BLUE):
        return note
    tones = {name.pitch_class: name for name in map(chord.root.above, chord.played)}
    scale = chord_scale(chord, cell.key, cell.span.leads_to).names(chord.root)
    known = {name.pitch_class: name for name in scale} | tones
    if note.name.pitch_class in known:
        return note
    near = [step for step in (-1, 1) if (note.midi + step) % 12 in known]
    if not any((note.midi + step) % 12 in tones for step in near):
        return note

    def rank(step: int) -> tuple[bool, bool, int]:
        place = (note.midi + step) % 12
        return known[place].letter != note.name.letter, place not in tones, step

    step = min(near, key=rank)
    return Pitch.near(known[(note.midi + step) % 12], note.midi + step)
