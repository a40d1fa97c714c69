"""Which velocities sound alike.

Where velocity only makes a note louder, as in most presets, one copy serves them all, and the gain
is measured: FluidSynth rounds levels to tenths of a decibel.  How fast a note falls after note-off
may depend on the velocity all the same, so that is measured too.  Where velocity also changes the
sound (filters, layers of samples), a copy of a velocity nearby serves, and where none is like it,
the nearest of `strokes.step_of`.  Compared is how a note begins, which is where velocity tells.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import partial
from typing import NamedTuple

import numpy as np

from drillgen.sound.release import fitted_fall
from drillgen.sound.strokes import step_of
from drillgen.sound.synth import GRID, Samples, Synth

COUNT = 80 * GRID  # samples compared, 116 ms
_OFF = 32 * GRID  # samples until note-off, where the fall is measured
_FIRST = 100  # the velocity that is tried first
_WIDE = 6.0  # dB between those that are tried next
_ALIKE = 10 ** (-60 / 20)  # RMS of the difference against the note
_STEADY = 0.015  # by which falls may differ and still be called the same


class Touch(NamedTuple):
    """What is rendered instead of a velocity."""

    velocity: int
    gain: float  # that it lacks
    fall: float  # how many times as fast the true velocity falls after note-off


class Beginnings:
    """How a key of the selected preset begins, at each velocity; rendered once each."""

    def __init__(self, synth: Synth, percussion: bool, key: int) -> None:
        self._note = partial(synth.note, percussion, key)
        self._held: dict[int, Samples] = {}
        self._falls: dict[int, float] = {}

    def held(self, velocity: int) -> Samples:
        """Shape (2, COUNT)."""
        if velocity not in self._held:
            self._held[velocity] = self._rendered(velocity, COUNT)
        return self._held[velocity]

    def fall(self, velocity: int) -> float:
        """In dB a second, by the first moments after note-off; 0 if it does not fall."""
        if velocity not in self._falls:
            released = self._rendered(velocity, _OFF)
            self._falls[velocity] = min(fitted_fall(self.held(velocity), released, _OFF) or 0.0, 0)
        return self._falls[velocity]

    def _rendered(self, velocity: int, hold: int) -> Samples:
        raw = self._note(velocity, hold, COUNT)
        return np.pad(raw, ((0, 0), (0, COUNT - raw.shape[1])))


def touches(begin: Beginnings, velocities: Iterable[int]) -> dict[int, Touch]:
    """For each velocity the one that is rendered for it."""
    return {velocity: _touch(begin, velocity) for velocity in velocities}


def _touch(begin: Beginnings, velocity: int) -> Touch:
    nearest = step_of(velocity)
    for other in dict.fromkeys((_FIRST, step_of(velocity, _WIDE), nearest)):
        gain, error = _fitted(begin.held(other), begin.held(velocity))
        if error < _ALIKE or other == nearest:
            own, rendered = begin.fall(velocity), begin.fall(other)
            faster = own / rendered if rendered else 1.0
            return Touch(other, gain, 1.0 if abs(faster - 1) < _STEADY else faster)
    raise AssertionError("unreachable: the nearest step is always taken")


def _fitted(model: Samples, true: Samples) -> tuple[float, float]:
    """The gain by which a note is most like another, and how unlike it stays."""
    power = float(np.vdot(model, model))
    size = float(np.vdot(true, true))
    if power == 0 or size == 0:
        return 1.0, 0.0 if power == size else 1.0
    gain = float(np.vdot(model, true)) / power
    if gain <= 0:
        return math.sqrt(size / power), 1.0
    rest = true - np.float32(gain) * model
    return gain, math.sqrt(float(np.vdot(rest, rest)) / size)
