"""Which strokes of a percussion kit silence which others.

A soundfont puts such strokes into an exclusive class (SoundFont 2.04, 8.1.3, exclusiveClass):
closed, pedal and open hi-hat as a rule.  FluidSynth is asked instead of the file: one stroke, then
another a little later; if less is left of the first than when it sounds alone, it has been cut.
"""

from __future__ import annotations

import numpy as np

from drillgen.sound.synth import GRID, Samples, Synth

_LATER = 32 * GRID  # samples from the first stroke to the second
_LOOK = 96 * GRID  # samples compared, the last of what is rendered
_ALL = 160 * GRID
_VELOCITY = 100
_LEFT = 10 ** (-6 / 20)  # a cut stroke has fallen by 8 dB at least where it is compared
_AUDIBLE = 1e-4


def measured_chokes(synth: Synth, keys: tuple[int, ...]) -> frozenset[tuple[int, int]]:
    """The pairs (key, key that it cuts off) of the selected kit, a key itself among them."""
    alone = {key: _alone(synth, key) for key in keys}
    ringing = [key for key in keys if np.abs(alone[key][:, -_LOOK:]).max() > _AUDIBLE]
    return frozenset(
        (by, cut) for cut in ringing for by in keys if _cuts(synth, by, cut, alone[by], alone[cut])
    )


def _cuts(synth: Synth, by: int, cut: int, second: Samples, first: Samples) -> bool:
    synth.on(True, cut, _VELOCITY)
    synth.read(_LATER)
    synth.on(True, by, _VELOCITY)
    both = synth.read(_ALL - _LATER)
    synth.clear()
    left = both[:, -_LOOK:] - second[:, _ALL - _LATER - _LOOK : _ALL - _LATER]
    return _size(left) < _size(first[:, -_LOOK:]) * _LEFT


def _alone(synth: Synth, key: int) -> Samples:
    """One stroke, struck once before for the reason given in `Synth.note`."""
    for _ in range(2):
        synth.on(True, key, _VELOCITY)
        samples = synth.read(_ALL)
        synth.clear()
    return samples


def _size(samples: Samples) -> float:
    return float(np.sqrt(np.square(samples, dtype=np.float64).sum()))
