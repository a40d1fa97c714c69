"""Riffs: a figure in degrees of the tonic, kept over every chord.

A note that contradicts the chord moves by a semitone into it (common practice: over IV7 the tonic's
major third becomes minor, being that chord's seventh).  A note contradicts a chord where it is
neither a tone of the chord nor of its scale and lies a semitone from one of the chord's tones.  It
keeps its letter where the chord or its scale has that letter a semitone away, else it goes to a
chord tone, else to a scale tone; down rather than up.  Blue notes may stay (common practice): the
tonic's b3, b5 and b7 over every chord, and over a dominant chord its own minor third (its #9).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from itertools import groupby
from random import Random

from drillgen.drill.lines import Develop, Riff
from drillgen.drill.melody import ScaleNote
from drillgen.lines.melody import (
    Harmony,
    MelodyTone,
    PlacedTone,
    Tune,
    degree_over,
    over,
    pitch,
    run_ends,
    tonic_of,
    tune,
)
from drillgen.lines.pass_context import Cell, PassContext
from drillgen.score import Note
from drillgen.theory.pitch import Degree, Pitch
from drillgen.theory.scales import chord_scale

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
_HIGH_IN_THE_RANGE = 0.5  # where the riff's middle lies in the first key


def write(context: PassContext, options: Riff) -> list[Note]:
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
