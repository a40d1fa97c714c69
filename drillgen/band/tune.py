"""The comping's top voice, which is heard as a tune.

It goes by step in six strokes of ten, stays in a quarter and goes by a third in the rest; after
three alike it moves (common practice; the shares are a teacher's).  A voicing that was just played
is not the next choice.
"""

from __future__ import annotations

from collections import deque
from random import Random

from drillgen.theory.voicings import Taste

_MOVES = ("step", "stay", "third")
_SHARES = (62, 21, 17)
_STAYS = 3  # strokes: longer it does not stay
_REMEMBERED = 4  # voicings
_AGAIN = 1.6  # semitones of motion: one of the last voicings, the very last apart
_BACK_AGAIN = 3.5  # … the one before the very last
_LONGER = 1.0  # … for each stroke that the top voice has stayed already
_TURNED = 0.25  # of the strokes in which a tune turns round
_BACK = 0.35  # semitones of motion: against the way that it is going
# What a motion of the top voice costs where another is wanted, by semitones.
_COSTS = {
    "step": (4.0, 0.0, 0.0, 1.6, 2.0, 3.6, 5.0, 5.0),
    "stay": (0.0, 1.4, 1.4, 2.6, 3.0, 4.2, 5.0, 5.0),
    "third": (4.0, 1.8, 1.6, 0.0, 0.0, 2.0, 3.6, 3.6),
}


class TopVoice:
    """The top voice so far, and what its player would like next."""

    def __init__(self, random: Random) -> None:
        self._random = random
        self._top: int | None = None
        self._stayed = 0
        self._way = 1
        self._lately: deque[tuple[int, ...]] = deque(maxlen=_REMEMBERED)

    def taste(self) -> Taste:
        """What the next voicing costs for its top."""
        wish = self._random.choices(_MOVES, _SHARES)[0]
        if wish == "stay" and self._stayed >= _STAYS - 1:
            wish = "step"
        way = -self._way if self._random.random() < _TURNED else self._way
        top, costs, stayed = self._top, _COSTS[wish], self._stayed
        before = tuple(self._lately)[:-1]

        def price(keys: tuple[int, ...]) -> float:
            again = _AGAIN if keys in before else 0.0
            again = _BACK_AGAIN if before and keys == before[-1] else again
            if top is None:
                return again
            moved = keys[-1] - top
            again += 0.0 if moved else _LONGER * stayed
            return again + costs[min(abs(moved), 7)] + (_BACK if moved * way < 0 else 0.0)

        return price

    def went(self, keys: tuple[int, ...]) -> None:
        """Tell it what was played."""
        if self._top is not None:
            moved = keys[-1] - self._top
            self._stayed = self._stayed + 1 if moved == 0 else 0
            self._way = self._way if moved == 0 else (1 if moved > 0 else -1)
        self._top = keys[-1]
        if keys in self._lately:
            self._lately.remove(keys)
        self._lately.append(keys)
