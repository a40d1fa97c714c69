"""The band's walking bass, drawn from what players walk.

A line is not the cheapest way through the chords, it is one of the good ones, drawn in proportion
to its probability: forward through all notes, backward with a draw at each.  What a note costs is
-log p, from counts under recorded solos (`walking.json`: source, licence and how it was made stand
there).  Added to that are the rules that no player breaks, common practice unless said:

- a chord begins on its root, on a written bass always; now and then on its fifth or third, and then
  the root comes two beats later;
- nothing denies the chord that sounds: its other third, a major seventh over a minor one or the
  other way about, the fifth where it is altered, a minor ninth over major and minor chords but on
  the way to a root a whole tone higher;
- what lies outside the scale stands on a weak beat, is reached by step or leads into a change, and
  goes on by a semitone; a whole tone or a fifth leads from the scale alone, and no fifth into a
  diminished chord;
- no note is struck three times running;
- into a new pass, a key and the ending leads a step, a fourth or a fifth; the ending is low.

The study line is another matter: cleaner, by its own table (`lines/walking.py`).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
from numpy.typing import NDArray
from quicktions import Fraction

from drillgen.chart import Bar, Chart
from drillgen.lines.pass_context import Cell, PassContext, beside, stepped
from drillgen.score import Note
from drillgen.theory.chords import Chord
from drillgen.theory.pitch import Key, Name, Pitch
from drillgen.theory.scales import chord_scale

Array = NDArray[np.float64]
WIDEST = 12  # semitones: wider leaps are not played
INTERVALS = range(-WIDEST, WIDEST + 1)
_OCTAVE = 12
_LEAP = 5  # semitones
# After a fourth or more players leap again in 0.14 of all steps (median of tracks, Weimar Jazz
# Database; 0.09 to 0.19 is allowed here); by the tables alone, which roots in fourths lead to leap
# besides, our lines do in 0.21.
_LEAP_AGAIN = 0.25
# … and the root comes back on the third and fourth beats in 0.18 and 0.20 (ours: 0.12).
_ROOT_AGAIN = 1.45
# A seventh as a leap is mostly an octave or a step that the machine misheard: players hardly leap
# one (common practice), so that it costs as much more.
_SEVENTHS, _MISHEARD = (10, 11), 2.5

# What a note costs: tables, each a cost (-log p) by interval in semitones or by degree.

# The intervals that a note was reached by, in classes: what comes next depends on them.
_CLASSES = (-8, -5, -3, -2, -1, 0, 1, 2, 4, 7, 12)  # the highest interval of each
# From which beat to which, by the beat that is reached: the first, a weak, a strong, the last.
PLACES = {1: "4>1", 2: "1>2", 3: "2>3", 4: "3>4"}
CHANGES = {1: "4>1 into a change", 2: "2>3 into a change"}
CHANGES |= {3: CHANGES[2], 4: CHANGES[1]}
_FAMILIES = {"minor": "minor", "half-diminished": "m7b5", "diminished": "m7b5"}
_FAMILIES |= {"dominant": "dominant", "suspended": "dominant"}


@dataclass(frozen=True, eq=False)
class Costs:
    """-log p of each choice; what is not listed costs `ELSE`."""

    interval: Mapping[str, Array]  # by place (`PLACES`, `CHANGES`): one for each of `INTERVALS`
    after: Array  # (class of the interval before, interval)
    degree: Mapping[str, Array]  # by "family beat": twelve
    into: Mapping[int, Array]  # by the roots' motion, 0 to 11 semitones up: one for each interval
    leap_again: float = 1.0  # how much likelier than by the tables a leap is after a leap …
    root_again: float = 1.0  # … and the root on the third or the last beat


def class_of(interval: int) -> int:
    """The row of `Costs.after` for an interval."""
    return next(i for i, highest in enumerate(_CLASSES) if interval <= highest)


def costs_of(table: Mapping[str, Any]) -> Costs:
    """Costs as they stand in `walking.json`."""
    arrays = {
        part: {name: np.array(row, float) for name, row in table[part].items()}
        for part in ("interval", "after", "degree", "into")
    }
    after = np.array([arrays["after"][str(highest)] for highest in _CLASSES])
    into = {int(motion): row for motion, row in arrays["into"].items()}
    return Costs(arrays["interval"], after, arrays["degree"], into)


@lru_cache(maxsize=1)
def players() -> Costs:
    """What players were counted to walk."""
    table = json.loads(Path(__file__).with_name("walking.json").read_text("utf-8"))
    costs = costs_of(table)
    misheard = np.array([_MISHEARD * (abs(each) in _SEVENTHS) for each in INTERVALS])
    interval = {place: row + misheard for place, row in costs.interval.items()}
    return replace(costs, interval=interval, leap_again=_LEAP_AGAIN, root_again=_ROOT_AGAIN)


# The notes to be found, and what each may be.


@dataclass(frozen=True, slots=True)
class Beat:
    """A note to be found: where it stands, and what it must be."""

    cell: Cell
    place: Fraction  # quarter notes from the track's start
    end: Fraction
    kind: int  # which beat: 1 the first, 2 a weak, 3 a strong, 4 the last
    changes: bool  # whether another chord begins here
    seam: bool  # … and with it a pass, a key or the ending
    leads: bool  # whether the next note is another chord's
    only: tuple[int, ...] | None  # the pitch classes that it must be one of
    motion: int  # semitones up from the root of the chord before, where it changes


_LANDINGS = (0, 1, 2, 3, 4, 5, 7)  # semitones into a change and over a bar line; into a seam:
_LEADS = (1, 2, 5, 7)
_SELDOM = 1e-14  # what is never done, but for want of anything else
_ROOT_FIRST = 0.9  # of chords that have time for it (as counted, hearing errors corrected)
_FIFTH_FIRST = 0.65  # of the others; the rest begin on the third
_LONG_ENOUGH = 3  # notes: for a chord that does not begin on its root
_SPREAD = 7.0  # semitones: how far the hand wanders from its place
_MIDDLE = 0.42  # of the range: where a player's hand mostly is
_LOWEST_ENDING = 48  # MIDI key: the last root lies at or below C3


def walked(chart: Chart, room: PassContext, after: Bar | None, costs: Costs) -> list[Note]:
    """A stretch of walking bass, a note a beat, led into the bar after it."""
    low, high = room.low, max(room.high, room.low + _OCTAVE - 1)
    beats = list(_beats(chart, room, after))
    if not beats:
        return []
    first = room.track.led.get(room.bars[0].number)
    keys = _drawn(beats, (low, high), first, room.random, costs)
    pitches = _spelled(beats, keys)
    if after is not None and beats[-1].place == after.start:
        room.track.led[after.number] = pitches.pop()
        beats.pop()
    return [
        Note(beat.place, beat.end - beat.place, pitch, mark=_mark(beat, pitch))
        for beat, pitch in zip(beats, pitches, strict=True)
    ]


def _mark(beat: Beat, pitch: Pitch) -> str:
    chord = beat.cell.chord
    guides = {chord.root.above(degree): str(degree) for degree in chord.guide_tones}
    return guides.get(pitch.name, "1" if beat.changes else "")


def _beats(chart: Chart, room: PassContext, after: Bar | None) -> Iterator[Beat]:
    """The notes of a stretch, and the first of what comes after it."""
    bars = {bar.start: bar for bar in room.bars}
    tail = [_first_of(after)] if after is not None and after.spans[0].chord is not None else []
    before: Cell | None = None
    row = [*room.cells, *tail]
    for cell in row:
        last = after is not None and cell.bar_start == after.start
        places = [cell.span.start] if last else stepped(cell, room.beat)
        rested = before is None or before.span.end < cell.span.start
        changes = rested or (before is not None and before.chord != cell.chord)
        seam = last or _begins_a_pass(chart, bars[cell.bar_start], cell)
        plan = _plan(cell, len(places), changes, seam, room.random)
        leads = cell.following is not None and cell.following[0] != cell.chord
        ends = [*places[1:], cell.span.end]
        for index, (place, end) in enumerate(zip(places, ends, strict=True)):
            yield Beat(
                cell, place, end,
                kind=_kind((place - cell.bar_start) / room.beat, chart.drill.meter.beats),
                changes=changes and index == 0,
                seam=seam and index == 0,
                leads=leads and index == len(places) - 1,
                only=plan.get(index),
                motion=_motion(before, cell),
            )  # fmt: skip
        before = cell


def _first_of(bar: Bar) -> Cell:
    span = bar.spans[0]
    assert span.chord is not None
    return Cell(span, span.chord, bar.key, bar.start, None)


def _begins_a_pass(chart: Chart, bar: Bar, cell: Cell) -> bool:
    before = chart.bars[bar.number - 1] if bar.number else None
    if before is None or cell.span.start > bar.start:
        return False
    return (before.pass_number, before.tag, before.role == "ending") != (
        bar.pass_number, bar.tag, bar.role == "ending",
    )  # fmt: skip


def _kind(index: Fraction, beats: int) -> int:
    """Which beat of the bar: the first, a weak, a strong or the last one."""
    if index < 1:
        return 1
    if index >= beats - 1:
        return 4
    return 3 if int(index) % 2 == 0 else 2


def _motion(before: Cell | None, cell: Cell) -> int:
    if before is None:
        return 0
    return (cell.chord.bass_name.pitch_class - before.chord.bass_name.pitch_class) % _OCTAVE


def _plan(
    cell: Cell, notes: int, changes: bool, seam: bool, random: Random
) -> dict[int, tuple[int, ...]]:
    """Which pitch class some of a chord's notes have, by their number."""
    chord = cell.chord
    root = (chord.bass_name.pitch_class,)
    if chord.bass is not None:
        return {0: root}
    if not (changes or seam):
        return {}
    drawn = random.random(), random.random()
    if seam or notes < _LONG_ENOUGH or drawn[0] < _ROOT_FIRST:
        return {0: root}
    other = chord.fifth if drawn[1] < _FIFTH_FIRST else chord.degree(3) or chord.fifth
    return {0: (chord.root.above(other).pitch_class,), 2: root}


# What a pitch class is in a chord: denied, outside the scale, of the scale, of the chord.

_DENIED, _OUTSIDE, _SCALE, _CHORD = range(4)
# What is denied by what the chord has, in semitones over the root: (own, denied). Common practice;
# what the chord itself names is never denied.
_DENIES = ((3, 4), (4, 3), (10, 11), (11, 10), (9, 10), (6, 7), (8, 7))
_MINOR_NINTH = 1


@lru_cache(maxsize=2048)
def standing(chord: Chord, key: Key) -> tuple[int, ...]:
    """Of each pitch class what it is in a chord, from C up."""
    root = chord.root.pitch_class
    own = {name.pitch_class for name in (*chord.names[:4], chord.bass_name)}
    named = {name.pitch_class for name in chord.names} | own
    over = {(pitch_class - root) % _OCTAVE for pitch_class in named}
    scale = {name.pitch_class for name in chord_scale(chord, key).names(chord.root)}
    denied = {other for mine, other in _DENIES if mine in over and not _is_tension(chord, mine)}
    if not chord.is_dominant:
        denied |= {_MINOR_NINTH}
    denied -= over
    return tuple(
        _DENIED if (pitch_class - root) % _OCTAVE in denied
        else _CHORD if pitch_class in own
        else _SCALE if pitch_class in scale
        else _OUTSIDE
        for pitch_class in range(_OCTAVE)
    )  # fmt: skip


def _is_tension(chord: Chord, semitones: int) -> bool:
    """Whether a sound is one of the chord's tensions only (the 13 of a dominant denies nothing)."""
    return semitones not in {degree.semitones % _OCTAVE for degree in chord.degrees[:4]}


# The draw: forward through all notes, how probable it is to stand on two keys one after the other;
# then backward, a draw at each.


def _drawn(
    beats: Sequence[Beat],
    bounds: tuple[int, int],
    first: Pitch | None,
    random: Random,
    costs: Costs,
) -> list[int]:
    """MIDI keys, one a beat."""
    low, high = bounds
    size = high - low + 1
    nodes = [_node(beat, low, high, costs) for beat in beats]
    if first is not None and low <= first.midi <= high:
        nodes[0] = np.where(np.arange(low, high + 1) == first.midi, 1.0, _SELDOM)
    ahead: list[Array] = []  # (key before, key) of each note but the first
    reached: Array | None = None
    for before, beat, node in zip(beats, beats[1:], nodes[1:], strict=False):
        edge = _edge(before, beat, bounds, costs) * node
        if reached is None:
            reached = nodes[0][:, None] * _alone(_place(beat), size, costs) * edge
        else:
            came = np.einsum("pc,pcx->cx", reached, _moves(_place(beat), size, costs))
            reached = came * edge
        reached = reached / reached.sum()
        ahead.append(reached)
    return [low + index for index in _backward(ahead, nodes, beats, size, random, costs)]


def _backward(
    ahead: list[Array], nodes: list[Array], beats: Sequence[Beat], size: int, random: Random,
    costs: Costs,
) -> list[int]:  # fmt: skip
    if not ahead:
        return [_pick(nodes[0], random)]
    both = _pick(ahead[-1].ravel(), random)
    found = [both % size, both // size]
    for beat, reached in zip(beats[:1:-1], ahead[-2::-1], strict=True):
        here, later = found[-1], found[-2]
        found.append(_pick(reached[:, here] * _moves(_place(beat), size, costs)[:, here, later],
                           random))  # fmt: skip
    return found[::-1]


def _pick(weights: Array, random: Random) -> int:
    sums = np.cumsum(weights)
    return min(int(np.searchsorted(sums, random.random() * sums[-1], "right")), len(sums) - 1)


def _place(beat: Beat) -> str:
    return CHANGES[beat.kind] if beat.changes else PLACES[beat.kind]


@lru_cache(maxsize=64)
def _moves(place: str, size: int, costs: Costs) -> Array:
    """How probable the third of three keys is after the first two: (first, second, third)."""
    keys = np.arange(size)
    step = keys[None, :] - keys[:, None]
    near = np.abs(step) <= WIDEST
    index = np.clip(step, -WIDEST, WIDEST) + WIDEST
    classes = np.array([class_of(interval) for interval in INTERVALS])[index]
    cost = costs.after[classes[:, :, None], index[None, :, :]] + costs.interval[place][index]
    thrice = (step[:, :, None] == 0) & (step[None, :, :] == 0)
    leaps = np.abs(step) >= _LEAP
    again = np.where(leaps[:, :, None] & leaps[None, :, :], costs.leap_again, 1.0)
    weight: Array = np.exp(-cost) * again * near[None, :, :] * ~thrice + _SELDOM
    return weight


@lru_cache(maxsize=64)
def _alone(place: str, size: int, costs: Costs) -> Array:
    """The same of the second key after the first, where nothing came before."""
    keys = np.arange(size)
    step = keys[None, :] - keys[:, None]
    cost = costs.interval[place][np.clip(step, -WIDEST, WIDEST) + WIDEST]
    weight: Array = np.exp(-cost) * (np.abs(step) <= WIDEST) + _SELDOM
    return weight


def _node(beat: Beat, low: int, high: int, costs: Costs) -> Array:
    """How probable each key is by itself."""
    keys = np.arange(low, high + 1)
    classes = keys % _OCTAVE
    middle = low + _MIDDLE * (high - low)
    weight: Array = np.exp(-(((keys - middle) / _SPREAD) ** 2) / 2)
    if beat.only is not None:
        allowed = np.isin(classes, beat.only)
        if beat.cell.following is None and beat.seam and high > _LOWEST_ENDING:
            allowed &= keys <= _LOWEST_ENDING
        return weight * np.where(allowed, 1.0, _SELDOM)
    stands = np.array(standing(beat.cell.chord, beat.cell.key))[classes]
    least = _OUTSIDE if beat.kind in (2, 4) or beat.leads else _SCALE
    degrees = (classes - beat.cell.chord.root.pitch_class) % _OCTAVE
    row = costs.degree[_row(beat)][degrees]
    if beat.kind > 2:
        weight = weight * np.where(degrees == 0, costs.root_again, 1.0)
    return weight * np.where(stands >= least, np.exp(-row), _SELDOM)


def _row(beat: Beat) -> str:
    return row_of(beat.cell.chord, beat.kind)


def row_of(chord: Chord, kind: int) -> str:
    """The row of `Costs.degree` for a chord and a beat (`Beat.kind`)."""
    family = _FAMILIES.get(chord.family, "major")
    return f"{'minor' if family == 'm7b5' and kind == 1 else family} beat {kind}"


def _edge(before: Beat, beat: Beat, bounds: tuple[int, int], costs: Costs) -> Array:
    """What the tables say of an interval into a change, and the rules of going on."""
    stands = _stands(before, bounds)
    free = before.leads or before.kind == 1
    later = None if beat.only is not None or beat.leads else _stands(beat, bounds)
    dim = beat.changes and beat.cell.chord.family == "diminished"
    landing = _LEADS if beat.seam else _LANDINGS if beat.changes or beat.kind == 1 else None
    allowed = _allowed(stands, later, landing, dim and free)
    if not beat.changes:
        return allowed
    weight: Array = allowed * _into(beat.motion, bounds[1] - bounds[0] + 1, costs)
    return weight


def _stands(beat: Beat, bounds: tuple[int, int]) -> tuple[int, ...]:
    found = standing(beat.cell.chord, beat.cell.key)
    return tuple(found[key % _OCTAVE] for key in range(bounds[0], bounds[1] + 1))


@lru_cache(maxsize=2048)
def _allowed(
    stands: tuple[int, ...],
    later: tuple[int, ...] | None,
    landing: tuple[int, ...] | None,
    dim: bool,
) -> Array:
    """Which steps the rules allow, from each key (by what it is in its chord) to each key (where
    the one that follows is no approach, by what that is)."""
    keys = np.arange(len(stands))
    step = np.abs(keys[None, :] - keys[:, None])
    allowed = np.ones(step.shape, bool)
    allowed &= (np.array(stands)[:, None] >= _SCALE) | (step == 1)
    if later is not None:
        allowed &= (np.array(later)[None, :] >= _SCALE) | ((step > 0) & (step <= 2))
    if landing is not None:
        allowed &= np.isin(step, landing)
    if dim:
        allowed &= ~np.isin(step, (5, 7))
    return np.where(allowed, 1.0, _SELDOM)


@lru_cache(maxsize=128)
def _into(motion: int, size: int, costs: Costs) -> Array:
    keys = np.arange(size)
    step = np.clip(keys[None, :] - keys[:, None], -WIDEST, WIDEST) + WIDEST
    weight: Array = np.exp(-costs.into[motion])[step]
    return weight


# The names of the keys that were drawn.


def _spelled(beats: Sequence[Beat], keys: Sequence[int]) -> list[Pitch]:
    """Each key by the chord's or the scale's own name, else as a neighbour of what follows."""
    found: list[Pitch] = []
    for beat, key in zip(reversed(beats), reversed(keys), strict=True):
        name = _names(beat.cell.chord, beat.cell.key).get(key % _OCTAVE)
        if name is not None:
            found.append(Pitch.near(name, key))
        elif found and 0 < abs(found[-1].midi - key) <= 2:
            found.append(beside(found[-1], key - found[-1].midi))
        else:
            found.append(Pitch.near(_plain(key), key))
    return found[::-1]


@lru_cache(maxsize=1024)
def _names(chord: Chord, key: Key) -> Mapping[int, Name]:
    scale = chord_scale(chord, key).names(chord.root)
    return {name.pitch_class: name for name in (*scale, *chord.names, chord.bass_name)}


def _plain(key: int) -> Name:
    """A name for a key, from Db to F#."""
    return next(name for name in map(Name, range(-5, 7)) if name.pitch_class == key % _OCTAVE)
