"""A limiter that keeps true peaks under a ceiling: a safety, and otherwise nothing.

It works on pieces of 6 ms: a piece too loud asks for less gain, its neighbours within `_REACH` are
lowered with it, and a smoothing over twice that reach leads there and back.  The smoothed gain is
nowhere above what a piece asks for.  Where nothing is too loud, samples pass unchanged.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drillgen.sound.peaks import PIECE, Indices, Sizes
from drillgen.sound.synth import Samples

_REACH = 3  # pieces: 17 ms


class Limiter:
    """The gain over a whole track."""

    def __init__(self, peaks: Sizes, ceiling: float, around: bool = False) -> None:
        """`peaks`: true peak of each piece; `ceiling`: amplitude; `around`: the track is a loop."""
        asked = (ceiling / np.maximum(peaks, ceiling)).astype(np.float64)
        padded = np.pad(asked, 2 * _REACH, mode="wrap") if around else _padded(asked)
        windows = np.lib.stride_tricks.sliding_window_view
        lowest = windows(padded, 2 * _REACH + 1).min(axis=1)
        # At the edges between pieces: the mean of what is lowest around, all of which heed the
        # pieces on both sides.
        self._edges = windows(lowest, 2 * _REACH).mean(axis=1)

    def touched(self) -> Indices:
        """The pieces that are changed."""
        return np.flatnonzero((self._edges[:-1] < 1) | (self._edges[1:] < 1))

    def __call__(self, block: Samples, begin: int) -> Samples:
        """A block of shape (2, n) that begins at a sample of the track; drawn straight between."""
        first, last = begin // PIECE, (begin + block.shape[1] - 1) // PIECE
        edges = self._edges[max(first, 0) : last + 2]
        if edges.min(initial=1.0) == 1:
            return block
        places = np.arange(begin, begin + block.shape[1]) / PIECE
        gains = np.interp(places, np.arange(max(first, 0), max(first, 0) + len(edges)), edges)
        return np.asarray(block * gains.astype(np.float32))


def _padded(asked: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.pad(asked, 2 * _REACH, constant_values=1.0)
