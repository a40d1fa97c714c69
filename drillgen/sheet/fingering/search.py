"""The path of least effort through all grips: a shortest path, moment by moment (Viterbi)."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

from drillgen.sheet.fingering.effort import Effort
from drillgen.sheet.fingering.grips import OPEN, Grip, Stop, follow
from drillgen.sheet.fingering.moments import Moment

_NEVER = float("inf")


class StuckError(Exception):
    """No grip of this moment can follow: a held note keeps the hand where it is."""

    def __init__(self, moment: int) -> None:
        super().__init__(moment)
        self.moment = moment


def least(
    effort: Effort, moments: Sequence[Moment], choices: Sequence[Sequence[Grip]]
) -> list[Grip]:
    """The grips of least total effort, one a moment.  Raises StuckError.

    On a tie, the grip that comes first in its moment's choices, from the end backwards.
    """
    costs = [grip.cost for grip in choices[0]]
    origins: list[list[int]] = []
    for number, moment in enumerate(moments[1:], 1):
        befores = [(c, i, choices[number - 1][i]) for i, c in enumerate(costs) if c < _NEVER]
        reached = [_cheapest(effort, moment, befores, after) for after in choices[number]]
        costs = [cost for cost, _ in reached]
        origins.append([origin for _, origin in reached])
        if min(costs) == _NEVER:
            raise StuckError(number)
    return _backwards(choices, origins, costs.index(min(costs)))


def total(effort: Effort, moments: Sequence[Moment], path: Sequence[Grip]) -> float:
    """The effort of a whole path, one grip a moment; infinite if no hand can follow it."""
    grips = sum(grip.cost for grip in path)
    steps = zip(moments[1:], path, path[1:], strict=False)
    return grips + sum(step(effort, moment, p, q) for moment, p, q in steps)


def _cheapest(
    effort: Effort, moment: Moment, befores: Sequence[tuple[float, int, Grip]], after: Grip
) -> tuple[float, int]:
    """The least cost of arriving at a grip, and the index of the grip it is reached from."""
    best, origin = _NEVER, -1
    for cost, index, before in befores:
        if cost < best and (total := cost + step(effort, moment, before, after)) < best:
            best, origin = total, index
    return best + after.cost, origin


def _backwards(
    choices: Sequence[Sequence[Grip]], origins: Sequence[Sequence[int]], last: int
) -> list[Grip]:
    path = [choices[-1][last]]
    for grips, origin in zip(reversed(choices[:-1]), reversed(origins), strict=True):
        last = origin[last]
        path.append(grips[last])
    return path[::-1]


def step(effort: Effort, moment: Moment, before: Grip, after: Grip) -> float:
    """What going from one grip to the next costs; infinite where a hand can't or mustn't."""
    moved = abs(before.hand - after.hand)
    if moment.repeats and (moved or before.stops != after.stops):
        return _NEVER  # a repeated note keeps its finger
    if moved and after.open:
        return _NEVER  # the hand stays over its position while an open string sounds
    if moment.held and not _kept(moment, before, after):
        return _NEVER
    if moved:
        return _shift(effort, moment, before, after) + _crossing(effort, before, after)
    return _crossing(effort, before, after) + _within(effort, before, after)


def _shift(effort: Effort, moment: Moment, before: Grip, after: Grip) -> float:
    moved = abs(before.hand - after.hand)
    cost = (effort.shift + effort.shift_step * moved) * moment.ease(effort, before.open)
    pairs = product(before.stops, after.stops)
    return cost + effort.smear * any(moved == 1 and _smeared(p, q) for p, q in pairs)


def _smeared(before: Stop, after: Stop) -> bool:
    place = (before.string, before.finger)
    return place == (after.string, after.finger) and abs(before.fret - after.fret) == 1


def _kept(moment: Moment, before: Grip, after: Grip) -> bool:
    """Whether the notes held over stay under their fingers."""
    pairs = [(before.stops[old], after.stops[new]) for old, new in moment.held]
    stays = before.hand == after.hand or all(old.finger == OPEN for old, _ in pairs)
    return stays and all(old == new for old, new in pairs)


def _crossing(effort: Effort, before: Grip, after: Grip) -> float:
    """Between the nearest strings of the two."""
    return effort.crossed(
        min(abs(p.string - q.string) for p, q in product(before.stops, after.stops))
    )


def _within(effort: Effort, before: Grip, after: Grip) -> float:
    """What the fingers do while the hand stays."""
    return sum(_finger(effort, p, q) for p, q in product(before.stops, after.stops))


def _finger(effort: Effort, before: Stop, after: Stop) -> float:
    if not follow(before, after):
        return _NEVER
    if before.finger != after.finger or after.finger == OPEN:
        return 0.0
    if before.fret != after.fret:
        return effort.slide
    return effort.barre if before.string != after.string else 0.0
