"""Walking bass: a note a beat that outlines the chords and leads into each change.

Common practice: the root (or another chord tone) where a chord begins, chord tones on the strong
beats, and a note a semitone, a whole tone or a fifth away before the change.  Each chord's notes
are the cheapest path from its first note to the next chord's first note; the costs below are the
taste, as a table, and a little seeded noise keeps two choruses from being the same.

Where a chord changes between the beats (two chords that share a bar of 3/4 or 5/4), the note before
is held into the change and the change into the next beat: dotted quarters in 3/4, never a lone
eighth beside a change (common practice).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from random import Random
from typing import NamedTuple

from drillgen.drill.lines import Walking
from drillgen.lines.bare import bare
from drillgen.lines.stretch import Cell, Stretch, closest, stepped
from drillgen.lines.walking_way import Choice, Step, arrival, begun, intervals, onward
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Name, Pitch, in_range
from drillgen.theory.scales import chord_scale

KIND = "walking"

_WEAK_SCALE_TONE = 0.3  # a scale tone that is no chord tone, on a weak beat
_STRONG_SCALE_TONE = 2.5  # … on a strong beat
_REGISTER = 0.012  # a semitone away from the middle, squared
_NOISE = 1.4
_REPEATED_FIGURE = 3.0  # the same intervals as one of the last few chords
_REMEMBERED = 4
_CONTRADICTS = 10.0  # an approach that is the sounding chord's other third, or its other seventh
# How the last note leads into the next chord, by its distance to the target in semitones.
_APPROACH = {
    "mixed": {1: 0.0, -1: 0.0, 2: 0.6, -2: 0.6, 7: -0.9, -5: -0.9},
    "chromatic": {1: 0.0, -1: 0.0, 2: 2.0, -2: 2.0, 7: 4.0, -5: 4.0},
    "dominant": {1: 2.5, -1: 2.5, 2: 3.0, -2: 3.0, 7: 0.0, -5: 0.0},
}
# Thirds and sevenths, and what contradicts each, in semitones over the root.
_OTHERS = ((3, 4), (4, 3), (10, 11))
_FIRST_NOTE_AGAIN = {1: 0.0, 5: 0.9, 3: 1.0}  # where a chord goes on: its degrees and their cost


class _Tone(NamedTuple):
    """A note of a chord or its scale."""

    pitch: Pitch
    key: int  # its MIDI key
    in_chord: bool
    off_middle: float  # what it costs to be so high or low


def write(stretch: Stretch, options: Walking) -> list[Note]:
    """A walking line as a study; in two, half as many notes.

    Alternating passes share one line: its roots and guide tones first, then all of it.
    """
    random = stretch.random
    if options.version == "alternating":
        random = Random(f"{stretch.seed} {stretch.turn // 2}")
    notes = walk(replace(stretch, random=random), options)
    is_bare = {"full": False, "bare": True, "alternating": stretch.turn % 2 == 0}
    return bare(notes, stretch) if is_bare[options.version] else notes


def walk(stretch: Stretch, options: Walking) -> list[Note]:
    """A note a beat (in two, every other beat) through every chord of the stretch."""
    notes: list[Note] = []
    pitch: Pitch | None = None  # where the chord begins; None after a rest
    recent: deque[tuple[int, ...]] = deque(maxlen=_REMEMBERED)
    for index, cell in enumerate(stretch.cells):
        come_from = [notes[-1].pitch] if pitch is not None else []
        if pitch is None:
            pitch = closest(cell.chord.bass_name, stretch.near, stretch.low, stretch.high)
        goes_on = index > 0 and stretch.cells[index - 1].chord == cell.chord
        places = stepped(cell, stretch.beat, 2 if options.two_beat else 1)
        way = [*come_from, pitch]
        path, target = _path(cell, len(places), way, recent, stretch, options)
        recent.append(intervals(path))
        notes += _noted(cell, places, path, first_mark="" if goes_on else "1")
        pitch = target if cell.following else None
    return notes


def _noted(
    cell: Cell, places: Sequence[Fraction], path: Sequence[Pitch], first_mark: str
) -> Iterator[Note]:
    guides = {cell.chord.root.above(degree): str(degree) for degree in cell.chord.guide_tones}
    ends = [*places[1:], cell.span.end]
    for place, end, pitch in zip(places, ends, path, strict=True):
        mark = guides.get(pitch.name, first_mark if place == cell.span.start else "")
        yield Note(place, end - place, pitch, mark=mark)


def _path(
    cell: Cell,
    beats: int,
    so_far: list[Pitch],
    recent: Collection[tuple[int, ...]],
    stretch: Stretch,
    options: Walking,
) -> tuple[list[Pitch], Pitch]:
    """The cheapest `beats` notes for a chord, and the next chord's first note.

    `so_far` ends with the chord's first note; before it may stand the note that it is reached from.
    """
    leads_in = cell.following is not None and cell.following[0] != cell.chord
    inner = range(1, beats - 1 if leads_in else beats)
    aim = stretch.random.choice((-1, 1))
    first = so_far[-1]
    ways = onward(begun(so_far), [_inner(cell, index, stretch) for index in inner], aim)
    best: tuple[float, list[Pitch], Pitch] | None = None
    for target, price in _targets(cell, first, stretch, options):
        last = [_approaches(cell, target, stretch, options)] if leads_in and beats > 1 else []
        cost, path = arrival(onward(ways, last, aim), target)
        total = cost + price + (_REPEATED_FIGURE if intervals(path) in recent else 0.0)
        if best is None or total < best[0]:
            best = (total, path, target)
    assert best is not None  # there is always a target: `_targets` falls back to the nearest note
    return best[1], best[2]


def _targets(
    cell: Cell, first: Pitch, stretch: Stretch, options: Walking
) -> Iterator[tuple[Pitch, float]]:
    """Where the next chord may begin: its root in each octave; other tones where it may vary."""
    if cell.following is None:
        yield first, 0.0
        return
    chord = cell.following[0]
    for number, price in _first_degrees(cell.chord, chord, options):
        degree = chord.degree(number)
        if degree is None:
            continue
        name = chord.bass_name if number == 1 else chord.root.above(degree)
        for pitch in in_range(name, stretch.low, stretch.high):
            off_middle = _off_middle(pitch.midi, stretch.low, stretch.high)
            yield pitch, price + (off_middle + _noise(stretch))
        if number == 1 and not in_range(name, stretch.low, stretch.high):
            yield closest(name, first.midi, stretch.low, stretch.high), price


def _first_degrees(chord: Chord, following: Chord, options: Walking) -> list[tuple[int, float]]:
    if following == chord:
        return list(_FIRST_NOTE_AGAIN.items())
    if options.beat_one == "chord tone":
        return [(1, 0.0), (3, 0.4), (5, 0.6), (7, 0.9)]
    return [(1, 0.0)]


def _off_middle(key: int, low: int, high: int) -> float:
    return _REGISTER * (key - (low + high) / 2) ** 2


def _noise(stretch: Stretch) -> float:
    return stretch.random.random() * _NOISE


def _inner(cell: Cell, index: int, stretch: Stretch) -> Step:
    """Chord and scale tones; which beats are strong is counted from the chord's start."""
    passing = _STRONG_SCALE_TONE if index % 2 == 0 else _WEAK_SCALE_TONE
    tones = _tones(cell.chord, cell.key, stretch.low, stretch.high)
    choices = []
    for pitch, key, in_chord, off_middle in tones:
        alone = off_middle + _noise(stretch)
        choices.append(Choice(pitch, key, (0.0 if in_chord else passing) + alone, in_chord))
    return choices


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


def _approaches(cell: Cell, target: Pitch, stretch: Stretch, options: Walking) -> Step:
    choices = [
        Choice(pitch, key, price + _noise(stretch), True)
        for pitch, key, price in _leading(target, cell.chord, cell.key, options.approach)
        if stretch.low <= key <= stretch.high
    ]
    return choices or [Choice(target, target.midi, 6.0, True)]


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
