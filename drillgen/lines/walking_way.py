"""The cheapest way through some notes: what a walking line's motion costs.

The costs are the taste, as a table (common practice): steps are free and leaps must pay, a leap
lands on a chord tone, two leaps are not made one after the other, and nothing goes to and fro.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from drillgen.theory.pitch import Pitch

# What a melodic interval costs, by semitones: steps are free, leaps must pay.
_INTERVAL = (6.0, 0.0, 0.0, 0.9, 0.9, 1.3, 4.0, 1.6, 4.0, 4.0, 5.0, 6.0, 3.5)
_TOO_FAR = 12  # semitones; wider leaps are not tried
_OUT_OF_REACH = 50.0  # the last resort in a narrow range
_TURN = 0.5  # the line changes direction
_AGAINST = 0.7  # a step against the direction that this chord set out in
_STEP = 2  # semitones
_LEAP_TO_PASSING = 1.8  # a leap should land on a chord tone
_SEESAW = 3.0  # back to the note before last
_LEAP = 5  # semitones
_LEAP_AFTER_LEAP = 0.5


@dataclass(frozen=True, slots=True)
class Step:
    """One beat to fill: which pitches may stand there and what each costs by itself."""

    choices: tuple[tuple[Pitch, float, bool], ...]  # pitch, cost, whether a leap may land there


# The cheapest way to each pitch, by the pitch and the direction it was reached in.
Ways = dict[tuple[int, int], tuple[float, list[Pitch]]]


def intervals(path: Sequence[Pitch]) -> tuple[int, ...]:
    """The melodic intervals of a path, in semitones."""
    return tuple(b.midi - a.midi for a, b in pairwise(path))


def heading(path: Sequence[Pitch]) -> int:
    """Which way a path goes at its end: up (1), down (-1), or neither."""
    distance = path[-1].midi - path[-2].midi if len(path) > 1 else 0
    return (distance > 0) - (distance < 0)


def onward(ways: Ways, steps: Sequence[Step], aim: int) -> Ways:
    """Go on through some beats, keeping the cheapest way to each pitch from above and from below
    (dynamic programming)."""
    for step in steps:
        reached: Ways = {}
        for (_, direction), (cost, path) in ways.items():
            for pitch, price, lands in step.choices:
                moved = _move(path, pitch, direction)
                if moved is None:
                    continue
                distance = pitch.midi - path[-1].midi
                total = cost + price + moved + (_AGAINST if distance * aim < 0 else 0.0)
                total += 0.0 if lands or abs(distance) <= _STEP else _LEAP_TO_PASSING
                state = (pitch.midi, 1 if pitch.midi > path[-1].midi else -1)
                if state not in reached or total < reached[state][0]:
                    reached[state] = (total, [*path, pitch])
        ways = reached or ways
    return ways


def arrival(ways: Ways, target: Pitch) -> tuple[float, list[Pitch]]:
    """The cheapest way that ends with the step to `target`."""
    arrivals = []
    for (_, direction), (cost, path) in ways.items():
        moved = _move(path, target, direction)
        arrivals.append((cost + (_OUT_OF_REACH if moved is None else moved), path))
    return min(arrivals, key=lambda arrival: arrival[0])


def _move(path: list[Pitch], pitch: Pitch, direction: int) -> float | None:
    """What it costs to go on to `pitch`; None where it is too far."""
    distance = pitch.midi - path[-1].midi
    if abs(distance) > _TOO_FAR:
        return None
    cost = _INTERVAL[abs(distance)]
    if direction and distance * direction < 0:
        cost += _TURN
    if len(path) > 1:
        cost += _SEESAW if path[-2].midi == pitch.midi else 0.0
        leaps = min(abs(distance), abs(path[-1].midi - path[-2].midi)) >= _LEAP
        cost += _LEAP_AFTER_LEAP if leaps else 0.0
    return cost
