"""Under a spoken word the band steps back by some decibels, on ramps that nobody hears as such.

A voice is understood by how far it stands above what plays beside it, at 1 to 4 kHz above all (ANSI
S3.5-1997, from memory): `python -m benchmarks.speech` measures what the figures below bring.  The
page does the same (`page/web/duck.js`) by the same figures.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from drillgen.score import PartName
from drillgen.sound.fluidsynth import RATE, Samples

STEP_BACK = 6.0  # dB
COMES, GOES = 0.1, 0.25  # seconds before a word and after it
YIELDING: frozenset[PartName] = frozenset({"drums", "comping", "bass"})  # line and click stay


class Ducking:
    """How far the band stands back in each moment of a track: straight lines in decibels.

    Between words that follow each other so closely that both ramps would meet it stays down.
    """

    def __init__(self, spoken: Iterable[tuple[int, int]]) -> None:
        """`spoken`: from which sample of the track to which something is said."""
        joined: list[tuple[int, int]] = []
        for start, end in sorted(spoken):
            if joined and start - joined[-1][1] < (COMES + GOES) * RATE:
                joined[-1] = joined[-1][0], max(joined[-1][1], end)
            else:
                joined.append((start, end))
        ends = ((s - COMES * RATE, s, e, e + GOES * RATE) for s, e in joined)
        self._places = np.array([place for four in ends for place in four], np.float64)
        self._decibels = np.tile([0.0, -STEP_BACK, -STEP_BACK, 0.0], len(joined))

    def moves(self, begin: int, count: int) -> bool:
        """Whether the band stands back anywhere in `count` samples from `begin` on."""
        first, last = np.searchsorted(self._places, (begin, begin + count))
        return bool(first != last or first % 4)

    def factors(self, begin: int, count: int) -> Samples | None:
        """The band's gain at `count` samples from `begin` on; None: it plays as it stands."""
        if not self.moves(begin, count):
            return None
        decibels = np.interp(np.arange(begin, begin + count), self._places, self._decibels)
        return np.asarray(10 ** (decibels / 20), np.float32)
