"""How a copyist spells the notes between chord tones, so that each letter leads to the next.

Root, third, fifth, sixth, seventh and bass stay as the chord spells them.  What a scale or an
approach puts between them stays too, unless another name reads better: without a double
accidental, and without one letter twice in a row in two shapes.  Over C#7 altered, A F## E# D## D
C# is read as A G E# E D C#.  The way through a line that reads best is found by dynamic
programming; the costs below are the taste (common practice, as tables).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import NamedTuple

from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Name, Pitch

_OTHER_NAME = 1.5  # than the one that it came with
_OTHER_NAME_OF_THE_KEY = 1.25  # … or of the chord
_RARE = 1.0  # E#, B#, Cb and Fb where neither chord, key nor scale has them
_DOUBLE = 3.0  # a double sharp or flat
_NATURAL_OR_SINGLE = 1
_RARE_NAMES = frozenset(map(Name.parse, ("E#", "B#", "Cb", "Fb")))
_CHORD_TONES = 7  # degrees beyond are tensions
# What a step costs, by its semitones and by how many letters it goes; what is not here is
# unreadable, and the letters of wider intervals are all alike.
_STEPS: dict[tuple[int, int], float] = {
    (0, 0): 0.0, (0, 1): 3.0,
    (1, 0): 1.0, (1, 1): 0.0,
    (2, 1): 0.0, (2, 2): 0.75,
    (3, 1): 0.5, (3, 2): 0.0, (3, 3): 1.5,
}  # fmt: skip
_UNREADABLE = 4.0
# One letter flat and then sharp: b9 and #9 on the way up to the third, which the #9 leads to.
_SHARPENED = 1.0
_WIDE = 4  # semitones


class Tone(NamedTuple):
    """A note of a line, and what it sounds over."""

    pitch: Pitch
    chord: Chord
    key: Key


def spelled(line: Sequence[Tone]) -> list[Pitch]:
    """The same sounds, each by the name that reads best between its neighbours."""
    ways: dict[Pitch, tuple[float, list[Pitch]]] = {}
    for tone in line:
        reached: dict[Pitch, tuple[float, list[Pitch]]] = {}
        for pitch, price in _choices(tone):
            cost, way = min(
                ((cost + _step(way[-1], pitch), way) for cost, way in ways.values()),
                key=lambda found: found[0],
                default=(0.0, []),
            )
            reached[pitch] = cost + price, [*way, pitch]
        ways = reached
    return min(ways.values(), key=lambda found: found[0])[1] if ways else []


@lru_cache(maxsize=4096)
def _choices(tone: Tone) -> tuple[tuple[Pitch, float], ...]:
    """The names that a note may have, its own first, and what each costs."""
    own = tone.pitch.name
    if own in _chord_tones(tone.chord):
        return ((tone.pitch, 0.0),)
    prices = [(own, _DOUBLE if abs(own.alter) > _NATURAL_OR_SINGLE else 0.0)]
    prices += [(name, _price(name, tone)) for name in _others(own)]
    return tuple((Pitch.near(name, tone.pitch.midi), price) for name, price in prices)


def _others(own: Name) -> Iterator[Name]:
    """The other names of a sound that have one accidental at most."""
    names = (Name(own.fifths + 12 * turns) for turns in (-2, -1, 1, 2))
    return (name for name in names if abs(name.alter) <= _NATURAL_OR_SINGLE)


def _price(name: Name, tone: Tone) -> float:
    if name in tone.chord.names or 0 <= name.fifths - tone.key.signature + 1 <= 6:
        return _OTHER_NAME_OF_THE_KEY
    return _OTHER_NAME + (_RARE if name in _RARE_NAMES else 0.0)


def _chord_tones(chord: Chord) -> set[Name]:
    plain = (degree for degree in chord.degrees if degree.number <= _CHORD_TONES)
    return {chord.bass_name, *(chord.root.above(degree) for degree in plain)}


@lru_cache(maxsize=4096)
def _step(one: Pitch, other: Pitch) -> float:
    rises, letters = other.midi - one.midi, abs(other.staff_step - one.staff_step)
    semitones = abs(rises)
    if semitones >= _WIDE:
        return 0.0
    if letters == 0 and rises == 2:
        return _SHARPENED
    return _STEPS.get((semitones, letters), _UNREADABLE)
