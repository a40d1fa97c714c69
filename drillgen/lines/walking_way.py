"""The cheapest way through some notes: what a walking line's motion costs.

The costs are the taste, as a table (common practice): steps are free and leaps must pay, a leap
lands on a chord tone, two leaps are not made one after the other, and nothing goes to and fro.

A walking line tries many thousands of moves, so pitches are compared by MIDI keys that are looked
up once, and a way is a chain of notes each of which knows the one before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from drillgen.theory.pitch import Pitch

# What a melodic interval costs, by semitones: steps are free, leaps must pay.
_INTERVAL = (6.0, 0.0, 0.0, 0.9, 0.9, 1.3, 4.0, 1.6, 4.0, 4.0, 5.0, 6.0, 3.5)
_TOO_FAR = 12  # semitones; wider leaps are not tried
_OUT_OF_REACH = 50.0  # the last resort in a narrow range
_TURN = 0.5  # the line changes direction
_AGAINST = 0.7  # a step against the direction that this chord set out in
_STEP = 2  # semitones
_LEADING = (1, 2, 5, 7)  # semitones
_LEAP_TO_PASSING = 1.8  # a leap should land on a chord tone
_SEESAW = 3.0  # back to the note before last
_LEAP = 5  # semitones
_LEAP_AFTER_LEAP = 0.5


class Choice(NamedTuple):
    """A pitch that may stand on a beat."""

    pitch: Pitch
    key: int  # its MIDI key
    price: float  # what it costs by itself
    lands: bool  # whether a leap may land there


Step = Sequence[Choice]  # one beat to fill


class Way(NamedTuple):
    """A way to a pitch, from the first note of a chord."""

    cost: float
    pitch: Pitch
    key: int  # its MIDI key
    came: int | None  # semitones from the note before; None where there was none
    before: Way | None  # None where the way begins

    @property
    def path(self) -> list[Pitch]:
        """The pitches from the beginning."""
        path: list[Pitch] = []
        way: Way | None = self
        while way is not None:
            path.append(way.pitch)
            way = way.before
        return path[::-1]


# The cheapest way to each pitch, by its MIDI key and the direction it was reached in.
Ways = dict[tuple[int, int], Way]


def intervals(path: Sequence[Pitch]) -> tuple[int, ...]:
    """The melodic intervals of a path, in semitones."""
    return tuple(b - a for a, b in pairwise([pitch.midi for pitch in path]))


def begun(path: Sequence[Pitch]) -> Ways:
    """The one way that begins with the last note of a path, reached from the note before it."""
    key = path[-1].midi
    came = key - path[-2].midi if len(path) > 1 else None
    direction = 0 if not came else (1 if came > 0 else -1)
    return {(key, direction): Way(0.0, path[-1], key, came, None)}


def onward(ways: Ways, steps: Sequence[Step], aim: int) -> Ways:
    """Go on through some beats, keeping the cheapest way to each pitch from above and from below
    (dynamic programming)."""
    for step in steps:
        reached: Ways = {}
        for (_, direction), way in ways.items():
            moves = _moves(way.came, direction)
            for pitch, key, price, lands in step:
                distance = key - way.key
                moved = moves.get(distance)
                if moved is None:
                    continue
                total = way.cost + price + moved + (_AGAINST if distance * aim < 0 else 0.0)
                total += 0.0 if lands or abs(distance) <= _STEP else _LEAP_TO_PASSING
                state = (key, 1 if distance > 0 else -1)
                if state not in reached or total < reached[state].cost:
                    reached[state] = Way(total, pitch, key, distance, way)
        ways = reached or ways
    return ways


def arrivals(ways: Ways, target: Pitch) -> list[tuple[float, Way]]:
    """The ways to the note before `target` and their costs with the step to it, cheapest first."""
    key = target.midi
    costs = [
        (way.cost + _moves(way.came, direction).get(key - way.key, _OUT_OF_REACH), way)
        for (_, direction), way in ways.items()
    ]
    return sorted(costs, key=lambda arrival: arrival[0])


def leads(distance: int) -> bool:
    """Whether an interval in semitones leads into a downbeat: a step, a fourth or a fifth (common
    practice)."""
    return abs(distance) in _LEADING


@lru_cache(maxsize=1024)
def _moves(came: int | None, direction: int) -> Mapping[int, float]:
    """What it costs to go on by each interval that is not too far, after having come by another."""
    return {
        distance: _move(came, direction, distance) for distance in range(-_TOO_FAR, _TOO_FAR + 1)
    }


def _move(came: int | None, direction: int, distance: int) -> float:
    cost = _INTERVAL[abs(distance)]
    if distance * direction < 0:
        cost += _TURN
    if came is not None:
        cost += _SEESAW if distance == -came else 0.0
        leaps = min(abs(distance), abs(came)) >= _LEAP
        cost += _LEAP_AFTER_LEAP if leaps else 0.0
    return cost
