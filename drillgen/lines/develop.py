"""Developing a riff: one change each time round, all else kept.

`note`: one note becomes another of the riff's own.  `rhythm`: one note begins an eighth sooner or
later (a sixteenth, where nothing else can be done).  The first note always stays, so that the riff
is known again.  Where there is a choice, at least half of the notes are as written, a change is not
taken back at once, and no note sounds three times running.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from itertools import groupby
from random import Random

from drillgen.drill.notation import ScaleNote
from drillgen.lines.melodic import Tone

Tones = tuple[Tone, ...]
_STEPS = (Fraction(1, 2), Fraction(1, 4))  # quarter notes by which a note is moved
_FAR = 7  # semitones: a changed note stays within a fifth of what it was
_REMEMBERED = 4  # times round that are not said again
_DULL = 3  # times running


@lru_cache(maxsize=32)
def developed(
    tones: Tones, develop: str, count: int, bar: Fraction, seed: str
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


def _changes(tones: Tones, develop: str, bar: Fraction, riff: Tones) -> Iterator[Tones]:
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
