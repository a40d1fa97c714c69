"""How a copyist spells the notes of a line, so that each letter leads to the next.

A chord's own tones, tensions apart, have their degree's letter always: the seventh of Gb7 is Fb
whatever follows, the third of C#7 E#.  What a scale or an approach puts between has the name that
it came with, unless another reads better: without a double accidental, without Cb, Fb, E# or B#
that the key does not have, without a flat in three sharps, without one letter twice in a row in two
shapes, and with one name for a sound in a bar.  A whole step is written as a step: a diminished
third only encloses the note that follows, as in F D# E.  The way through a line that reads best is
found by dynamic programming; the costs below are the taste (common practice, as tables).
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from functools import lru_cache
from itertools import chain
from typing import Any, NamedTuple

from drillgen.theory.chords import Chord
from drillgen.theory.pitch import RARE_NAMES, Degree, Key, Name, Pitch

_OTHER_NAME = 1.5  # than the one that it came with
_OTHER_NAME_OF_THE_KEY = 1.25  # … or of the chord
_OTHER_CHORD_TONE = 8.0  # an approach that is a chord tone, too, by another name than the chord's
_OTHER_FLAT_TENSION = 1.5  # … than b9 or b13 of a dominant, which fall
_FLAT_TENSIONS = (Degree(9, -1), Degree(13, -1))
_RARE = 4.0  # E#, B#, Cb and Fb where the key does not have them
_RARE_TENSION = 1.0  # … Cb and Fb as b9 or b13 of a dominant: Bb7, Cb, Db, D
_DOUBLE = 8.0  # a double sharp or flat
_FLAT_AMONG_SHARPS = 2.25  # … that neither key nor chord has, in three sharps or more
_SHARP_AMONG_FLATS = 1.0
_MANY = 3  # accidentals of a signature
_RENAMED = 4.5  # a sound that had another name in this bar
_AGAINST_ITS_SIGN = 2.0  # a foreign sharp that falls a whole tone
_CHORD_TONES = 7  # degrees beyond are tensions
_DIMINISHED_THIRD = (2, 2)
# What a step costs, by its semitones and by how many letters it goes; what is not here is
# unreadable.  A diminished third costs more unless the next note lies inside it.
_STEPS: dict[tuple[int, int], float] = {
    (0, 0): 0.0, (0, 1): 6.0,
    (1, 0): 1.0, (1, 1): 0.0,
    (2, 1): 0.0, _DIMINISHED_THIRD: 0.75,
    (3, 1): 0.5, (3, 2): 0.0,
}  # fmt: skip
_NOT_ENCLOSED = 4.5
_UNREADABLE = 6.0
# One letter flat and then sharp: b9 and #9 on the way up to the third, which the #9 leads to.
_SHARPENED = 1.0
_WIDE = 4  # semitones
# Wider intervals, by how far apart their names are on the line of fifths: up to the diminished
# seventh and augmented second free, then up to the augmented third, and what is altered twice.
_LEAPS = ((9, 0.0), (12, 0.5))


class LineTone(NamedTuple):
    """A note of a line, what it sounds over, and the bar (or figure) that it belongs to."""

    pitch: Pitch
    chord: Chord
    key: Key
    bar: Hashable = 0
    passing: bool = False  # it leads to the next note, and is no tone of the chord to the reader


class _Choice(NamedTuple):
    """A name that a note may have."""

    pitch: Pitch
    price: float
    foreign: bool = False  # to the key and to the chord, its tensions apart


class _State(NamedTuple):
    """All that the rest of a line has to know of a way through its beginning."""

    last: tuple[_Choice, ...] = ()  # two at most
    named: tuple[Name, ...] = ()  # what sounds were called that the bar has again


_Way = tuple[float, Any]  # what it costs, and its pitches: the last, and those before it


def spelled(line: Sequence[LineTone]) -> list[Pitch]:
    """The same sounds, each by the name that reads best between its neighbours."""
    ways: dict[_State, _Way] = {_State(): (0.0, None)}
    for tone, again in zip(line, _again(line), strict=True):
        reached: dict[_State, _Way] = {}
        for choice in _choices(tone.pitch, tone.chord, tone.key, tone.passing):
            for state, (cost, way) in ways.items():
                total = cost + choice.price + _move(state, choice)
                after = _after(state, choice, again)
                if after not in reached or total < reached[after][0]:
                    reached[after] = total, (choice.pitch, way)
        ways = reached
    _, way = min(
        ((cost + _left_open(state), way) for state, (cost, way) in ways.items()),
        key=lambda found: found[0],
    )
    return list(_pitches(way))[::-1]


def _pitches(way: Any) -> Iterator[Pitch]:
    while way is not None:
        pitch, way = way
        yield pitch


def _again(line: Sequence[LineTone]) -> list[frozenset[int]]:
    """For each note, the pitch classes that come after it in its bar."""
    found: list[frozenset[int]] = []
    later: frozenset[int] = frozenset()
    bar: Hashable = None
    for tone in reversed(line):
        later = later if tone.bar == bar else frozenset()
        found.append(later)
        later, bar = later | {tone.pitch.name.pitch_class}, tone.bar
    return found[::-1]


def _after(state: _State, choice: _Choice, again: frozenset[int]) -> _State:
    own = choice.pitch.name
    kept = (name for name in state.named if name.pitch_class != own.pitch_class)
    named = sorted(
        (name for name in chain(kept, (own,)) if name.pitch_class in again),
        key=lambda name: name.pitch_class,
    )
    return _State((*state.last[-1:], choice), tuple(named))


def _move(state: _State, choice: _Choice) -> float:
    """What it costs to go on with a name."""
    name = choice.pitch.name
    renamed = any(n != name and n.pitch_class == name.pitch_class for n in state.named)
    cost = _RENAMED if renamed else 0.0
    if not state.last:
        return cost
    last = state.last[-1]
    cost += _step(last.pitch, choice.pitch)
    sharp = last.foreign and last.pitch.name.alter > 0
    if sharp and choice.pitch.midi < last.pitch.midi and _size(last.pitch, choice.pitch) == (2, 1):
        cost += _AGAINST_ITS_SIGN
    return cost + (0.0 if _is_inside(choice.pitch, state) else _left_open(state))


def _left_open(state: _State) -> float:
    """What a diminished third costs that encloses nothing."""
    found = [choice.pitch for choice in state.last]
    wide = len(found) > 1 and _size(*found) == _DIMINISHED_THIRD
    return _NOT_ENCLOSED if wide else 0.0


def _is_inside(pitch: Pitch, state: _State) -> bool:
    """Whether a note lies between the last two, or is the first of them again: the end of F D# E
    and the third note of F D# F E."""
    steps = [choice.pitch.staff_step for choice in state.last]
    return min(steps) < pitch.staff_step < max(steps) or pitch == state.last[0].pitch


@lru_cache(maxsize=4096)
def _choices(pitch: Pitch, chord: Chord, key: Key, passing: bool) -> tuple[_Choice, ...]:
    """The names that a note may have, its own first, and what each costs."""
    own = pitch.name
    if own in (chord.root, chord.bass_name):
        return (_Choice(pitch, 0.0),)
    by_degree = _plain_tones(chord).get(own.pitch_class)
    if by_degree is not None and not passing:
        return (_Choice(Pitch.near(by_degree, pitch.midi), 0.0),)
    names = [own, *(name for name in _others(own) if _is_usual(name, chord, key))]
    found = (_between(Pitch.near(name, pitch.midi), own, chord, key) for name in names)
    return tuple(
        each._replace(price=each.price + _OTHER_CHORD_TONE)
        if own == by_degree != each.pitch.name
        else each
        for each in found
    )


def _others(own: Name) -> Iterator[Name]:
    """The other names of a sound that have one accidental at most."""
    names = (Name(own.fifths + 12 * turns) for turns in (-2, -1, 1, 2))
    return (name for name in names if abs(name.alter) <= 1)


def _is_usual(name: Name, chord: Chord, key: Key) -> bool:
    return name not in RARE_NAMES or name in chord.names or key.has(name)


@lru_cache(maxsize=4096)
def _plain_tones(chord: Chord) -> dict[int, Name]:
    """The names of a chord's tones, tensions apart, by pitch class."""
    tones = (chord.root.above(each) for each in chord.degrees if each.number <= _CHORD_TONES)
    return {name.pitch_class: name for name in tones}


def _between(pitch: Pitch, own: Name, chord: Chord, key: Key) -> _Choice:
    """A name of a note that is no chord tone."""
    name = pitch.name
    foreign = not (name in chord.names or key.has(name))
    tensions = map(chord.root.above, _FLAT_TENSIONS)
    leads_down = chord.is_dominant and abs(own.alter) == 1 and own in tensions
    strange = _RARE_TENSION if name == own and leads_down else _RARE
    price = _strange(name, key, strange) + (_clash(name, key) if foreign else 0.0)
    if name != own:
        price += _OTHER_NAME if foreign else _OTHER_NAME_OF_THE_KEY
        price += _OTHER_FLAT_TENSION if leads_down else 0.0
    return _Choice(pitch, price, not key.has(name) and name not in _plain_tones(chord).values())


def _strange(name: Name, key: Key, rare: float) -> float:
    """What it costs to read a name at all; `rare`, where it is E#, B#, Cb or Fb."""
    if abs(name.alter) > 1:
        return _DOUBLE
    return rare if name in RARE_NAMES and not key.has(name) else 0.0


def _clash(name: Name, key: Key) -> float:
    """What a sign costs among the other signs of a signature."""
    if name.alter < 0 and key.signature >= _MANY:
        return _FLAT_AMONG_SHARPS
    return _SHARP_AMONG_FLATS if name.alter > 0 and key.signature <= -_MANY else 0.0


def _size(one: Pitch, other: Pitch) -> tuple[int, int]:
    return abs(other.midi - one.midi), abs(other.staff_step - one.staff_step)


@lru_cache(maxsize=4096)
def _step(one: Pitch, other: Pitch) -> float:
    semitones, letters = _size(one, other)
    if semitones >= _WIDE:
        apart = abs(one.name.fifths - other.name.fifths)
        return next((cost for reach, cost in _LEAPS if apart <= reach), _UNREADABLE)
    if letters == 0 and other.midi - one.midi == 2:
        return _SHARPENED
    return _STEPS.get((semitones, letters), _UNREADABLE)
