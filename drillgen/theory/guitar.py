"""What lies under a guitarist's hand in standard tuning, and the shells of a rhythm guitar.

Common practice for chords: each note on its own string, without open strings, from the first
finger's fret to the fourth's at most four frets.  For the guitar that keeps time with a chord a
beat: three notes, root or fifth on a low string (the sixth or the fifth) and third and seventh on
the fourth and third strings, in either order (C7: C3 Bb3 E4, or G2 E3 Bb3);
a sixth for a missing seventh, the root again for a missing sixth.  So no two notes are a semitone
apart, and each of them rings clear.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import combinations, pairwise, product

from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Degree, Pitch, in_range
from drillgen.theory.qualities import Degrees
from drillgen.theory.voicings import LOW_INTERVAL_LIMITS, Option, keys_of, off_centre

STRINGS = (40, 45, 50, 55, 59, 64)  # standard tuning, E2 A2 D3 G3 B3 E4
FRET_SPAN = 4
LAST_FRET = 14  # where the neck meets the body

_SHELL_STRINGS = ((40, 50, 55), (45, 50, 55))  # sixth or fifth, fourth, third
_SHELL_SPAN = 3  # frets from the lowest to the highest: a finger for each
_ROOT, _FIFTH = Degree(1), Degree(5)
_ON_THE_FIFTH = 0.3  # semitones of motion: the root is the plainer bass


@lru_cache(maxsize=65536)
def is_playable(keys: tuple[int, ...]) -> bool:
    """Whether MIDI keys from low to high lie under a guitarist's hand."""
    return any(_fit(keys, strings, FRET_SPAN) for strings in combinations(STRINGS, len(keys)))


def _fit(keys: Sequence[int], strings: Sequence[int], span: int) -> bool:
    frets = [key - string for key, string in zip(keys, strings, strict=True)]
    return min(frets) >= 1 and max(frets) <= LAST_FRET and max(frets) - min(frets) <= span


@lru_cache(maxsize=1024)
def shells(chord: Chord, low: int, high: int) -> tuple[Option, ...]:
    """A chord's shells between two MIDI keys, each with its own cost."""
    centre = (low + high) / 2
    return tuple(
        (off_centre(keys_of(voicing), centre) + (_ON_THE_FIFTH if bass != _ROOT else 0.0), voicing)
        for bass, voicing in _arranged(chord, low, high)
        if _is_shell(keys_of(voicing))
    )


def _arranged(chord: Chord, low: int, high: int) -> Iterator[tuple[Degree, tuple[Pitch, ...]]]:
    """Bass, and over it third and seventh in either order, in every octave."""
    third, seventh = chord.guide_tones
    for bass, upper in product(_basses(chord), ((third, seventh), (seventh, third))):
        names = [chord.root.above(degree) for degree in (bass, *upper)]
        for voicing in product(*(in_range(name, low, high) for name in names)):
            yield bass, voicing


def _basses(chord: Chord) -> Degrees:
    """The root, and the fifth where it does not sound like another root: an altered one is for a
    chord that has no other."""
    plain = chord.fifth == _FIFTH or chord.family in ("half-diminished", "diminished")
    return (_ROOT, chord.fifth) if plain else (_ROOT,)


def _is_shell(keys: tuple[int, ...]) -> bool:
    rising = all(upper - lower > 1 for lower, upper in pairwise(keys))
    clear = all(
        lower >= LOW_INTERVAL_LIMITS.get(upper - lower, 0) for lower, upper in combinations(keys, 2)
    )
    return rising and clear and any(_fit(keys, each, _SHELL_SPAN) for each in _SHELL_STRINGS)
