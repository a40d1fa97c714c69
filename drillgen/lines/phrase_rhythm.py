"""The rhythm of a phrase: cells one after another, some of them silent, and a breath at the end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import exp
from random import Random

from drillgen.drill.rhythm import RhythmCell

Rhythm = tuple[tuple[Fraction, Fraction], ...]  # start (from the phrase's) and length of each note
_THINNEST, _BUSIEST = 0.5, 2.0  # notes a beat at density 0 and 1: halves and eighths
_TASTE = 2.5  # how firmly cells are chosen by how busy they are
_TRIES = 12  # the last two without rests
_FEWEST = 2  # notes; one is no phrase


@dataclass(frozen=True, slots=True)
class Room:
    """The time that a phrase has, in quarter notes from the start of its first bar."""

    begin: Fraction
    end: Fraction  # where its last note must have ended
    bar: Fraction
    beat: Fraction


def rhythm(
    room: Room, cells: Sequence[RhythmCell], density: float, rests: float, random: Random
) -> Rhythm:
    """A rhythm put together from cells, each within its bar; where it can, of two notes or more,
    and with a note in the first bar and in the last, so that the call is heard as long as it is."""
    found: list[tuple[Fraction, Fraction]] = []
    for attempt in range(_TRIES):
        found = _drawn(room, cells, density, rests if attempt < _TRIES - 2 else 0.0, random)
        if len(found) >= _FEWEST and _fills(found, room):
            break
    return tuple(found)


def _fills(found: list[tuple[Fraction, Fraction]], room: Room) -> bool:
    first, last = found[0][0], found[-1][0]
    return first < room.bar and last >= (room.end - 1) // room.bar * room.bar


def _drawn(
    room: Room, cells: Sequence[RhythmCell], density: float, rests: float, random: Random
) -> list[tuple[Fraction, Fraction]]:
    found: list[tuple[Fraction, Fraction]] = []
    place = room.begin
    while place < room.end:
        left = room.bar - place % room.bar
        fitting = [cell for cell in cells if cell.length <= left]
        if not fitting:
            place += left
            continue
        weights = [_weight(cell, density, room.beat) for cell in fitting]
        cell = random.choices(fitting, weights)[0]
        silent = random.random() < rests
        for length, sounds in cell.lengths:
            if sounds and not silent and place < room.end:
                found.append((place, min(length, room.end - place)))
            place += length
    return found


def _weight(cell: RhythmCell, density: float, beat: Fraction) -> float:
    busy = float(cell.sounding * beat / cell.length)
    return exp(-_TASTE * abs(busy - (_THINNEST + density * (_BUSIEST - _THINNEST))))


def free_rhythm(room: Room, random: Random) -> Rhythm:
    """Eighths begun anywhere, for when cells have nothing new to say."""
    eighth = room.beat / (3 if room.beat % 1 else 2)
    count = (room.end - room.begin) // eighth
    chosen = random.randint(min(_FEWEST, count), count)
    places = sorted(random.sample(range(count), chosen))
    starts = [room.begin + eighth * place for place in places]
    ends = [*starts[1:], room.end]
    return tuple(
        (start, min(end - start, room.beat)) for start, end in zip(starts, ends, strict=True)
    )
