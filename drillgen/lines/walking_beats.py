"""What a walking bass may play on each beat of a chord, and what each note costs by itself.

Common practice: the root, or the bass that is written, where a chord begins; chord tones on strong
beats; and a note a semitone, a whole tone or a fifth away before the change.  The costs are the
taste, as a table; a little seeded noise keeps two choruses from being the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

from drillgen.drill.lines import Walking
from drillgen.lines.stretch import Cell, Stretch, closest
from drillgen.lines.walking_way import Choice, Step
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Name, Pitch, in_range
from drillgen.theory.scales import chord_scale

_WEAK_SCALE_TONE = 0.3  # a scale tone that is no chord tone, on a weak beat
_STRONG_SCALE_TONE = 2.5  # … on a strong beat
_REGISTER = 0.012  # a semitone away from the middle, squared
_NOISE = 1.4
_CONTRADICTS = 10.0  # an approach that is the sounding chord's other third, or its other seventh
_STEPS_BACK = 5.0  # a whole tone into a change over the note that this chord began on: E D# F
# How the last note leads into the next chord, by its distance to the target in semitones.
_APPROACH = {
    "mixed": {1: 0.0, -1: 0.0, 2: 0.6, -2: 0.6, 7: -0.9, -5: -0.9},
    "chromatic": {1: 0.0, -1: 0.0, 2: 2.0, -2: 2.0, 7: 4.0, -5: 4.0},
    "dominant": {1: 2.5, -1: 2.5, 2: 3.0, -2: 3.0, 7: 0.0, -5: 0.0},
}
_STEP = 2  # semitones
_ASTRAY = 2.0  # another octave of the next chord's bass where that lies a step away
# Thirds and sevenths, and what contradicts each, in semitones over the root.
_OTHERS = ((3, 4), (4, 3), (10, 11))
_FIRST_NOTE_AGAIN = {1: 0.0, 5: 0.9, 3: 1.0}  # where a chord goes on: its degrees and their cost
_OCTAVE = 12


class _Tone(NamedTuple):
    """A note of a chord or its scale."""

    pitch: Pitch
    key: int  # its MIDI key
    in_chord: bool
    off_middle: float  # what it costs to be so high or low


def targets(
    cell: Cell, first: Pitch, stretch: Stretch, options: Walking
) -> Iterator[tuple[Pitch, float]]:
    """Where the next chord may begin: its bass in each octave; other tones where it may vary."""
    if cell.following is None:
        yield first, 0.0
        return
    chord = cell.following[0]
    for number, price in _first_degrees(cell, chord, stretch, options):
        degree = chord.degree(number)
        if degree is None:
            continue
        name = chord.bass_name if number == 1 else chord.root.above(degree)
        for pitch in in_range(name, stretch.low, stretch.high):
            off_middle = _off_middle(pitch.midi, stretch.low, stretch.high)
            yield pitch, price + off_middle + _astray(first, pitch) + _noise(stretch)
        if number == 1 and not in_range(name, stretch.low, stretch.high):
            yield closest(name, first.midi, stretch.low, stretch.high), price


def _first_degrees(
    cell: Cell, following: Chord, stretch: Stretch, options: Walking
) -> list[tuple[int, float]]:
    """A bass that is written is played, and so is the root of what comes after the stretch: a pass
    or an ending (common practice)."""
    if following.bass is not None or cell is stretch.cells[-1]:
        return [(1, 0.0)]
    if following == cell.chord:
        return list(_FIRST_NOTE_AGAIN.items())
    if options.beat_one == "chord tone":
        return [(1, 0.0), (3, 0.4), (5, 0.6), (7, 0.9)]
    return [(1, 0.0)]


def heading(cell: Cell, stretch: Stretch) -> int:
    """Up (1) or down (-1): the way the basses of the chords go where they move by step (common
    practice: the line goes along with them), else either."""
    either = stretch.random.choice((-1, 1))
    if cell.following is None:
        return either
    return _step(cell.chord.bass_name, cell.following[0].bass_name) or either


def _step(one: Name, other: Name) -> int:
    """Up (1) or down (-1) where one bass lies a step from the other, else 0."""
    up = (other.pitch_class - one.pitch_class) % _OCTAVE
    if 0 < up <= _STEP:
        return 1
    return -1 if up >= _OCTAVE - _STEP else 0


def _astray(first: Pitch, target: Pitch) -> float:
    """What it costs to take another octave than the one in which two basses are neighbours."""
    return (
        _ASTRAY if _step(first.name, target.name) and abs(target.midi - first.midi) > _STEP else 0.0
    )


def inner(cell: Cell, index: int, stretch: Stretch) -> Step:
    """Chord and scale tones; which beats are strong is counted from the chord's start."""
    passing = _STRONG_SCALE_TONE if index % 2 == 0 else _WEAK_SCALE_TONE
    tones = _tones(cell.chord, cell.key, stretch.low, stretch.high)
    choices = []
    for pitch, key, in_chord, off_middle in tones:
        alone = off_middle + _noise(stretch)
        choices.append(Choice(pitch, key, (0.0 if in_chord else passing) + alone, in_chord))
    return choices


def approaches(cell: Cell, first: Pitch, target: Pitch, stretch: Stretch, options: Walking) -> Step:
    """The notes that lead from a chord, begun on its first note, into the next one's."""
    choices = [
        Choice(pitch, key, price + _back(key, first, target) + _noise(stretch), True)
        for pitch, key, price in _leading(target, cell.chord, cell.key, options.approach)
        if stretch.low <= key <= stretch.high
    ]
    return choices or [Choice(target, target.midi, 6.0, True)]


def _back(key: int, first: Pitch, target: Pitch) -> float:
    """What it costs to step to the target over the note that the chord began on."""
    steps = abs(target.midi - key) <= _STEP
    between = min(key, target.midi) < first.midi < max(key, target.midi)
    return _STEPS_BACK if steps and between else 0.0


def _off_middle(key: int, low: int, high: int) -> float:
    return _REGISTER * (key - (low + high) / 2) ** 2


def _noise(stretch: Stretch) -> float:
    return stretch.random.random() * _NOISE


@lru_cache(maxsize=1024)
def _tones(chord: Chord, key: Key, low: int, high: int) -> tuple[_Tone, ...]:
    """The chord's and its scale's notes in a range."""
    chord_tones = set(chord.names[:4])
    names = _scale_names(chord, key) | chord_tones
    return tuple(
        _Tone(pitch, pitch.midi, name in chord_tones, _off_middle(pitch.midi, low, high))
        for name in sorted(names, key=lambda name: name.fifths)
        for pitch in in_range(name, low, high)
    )


@lru_cache(maxsize=4096)
def _leading(
    target: Pitch, chord: Chord, key: Key, approach: str
) -> tuple[tuple[Pitch, int, float], ...]:
    """The notes from which an approach leads to a target, their MIDI keys, and what each costs."""
    names = _scale_names(chord, key)
    wrong = _contradictions(chord)
    beside = ((_beside(target, by, names), price) for by, price in _APPROACH[approach].items())
    return tuple(
        (pitch, pitch.midi, price + (_CONTRADICTS if pitch.name.pitch_class in wrong else 0.0))
        for pitch, price in beside
    )


def _contradictions(chord: Chord) -> set[int]:
    """The pitch classes that deny what a chord is while it still sounds (common practice): the
    other third, and over a minor seventh the major one."""
    root = chord.root.pitch_class
    tones = {(name.pitch_class - root) % 12 for name in chord.names}
    wrong = {other for own, other in _OTHERS if own in tones and other not in tones}
    return {(root + semitones) % 12 for semitones in wrong}


def _beside(target: Pitch, distance: int, scale: set[Name]) -> Pitch:
    """The pitch `distance` semitones from the target, spelled by the scale or as its neighbour."""
    for name in scale:
        if (name.pitch_class - target.midi - distance) % 12 == 0:
            return Pitch.near(name, target.midi + distance)
    fifths = {1: -5, -1: 5, 2: 2, -2: -2, 7: 1, -5: 1}[distance]
    name = Name(target.name.fifths + fifths)
    if abs(name.alter) > 1:
        name = name.simplest
    return Pitch.near(name, target.midi + distance)


def _scale_names(chord: Chord, key: Key) -> set[Name]:
    return set(chord_scale(chord, key).names(chord.root))
