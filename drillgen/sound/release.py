"""How a preset's notes die after note-off.

FluidSynth lets the level fall by a constant number of dB a second (SoundFont 2.04, 8.1.3,
releaseVolEnv), reckoned anew every 64 samples and drawn straight between.  Where a note follows
that law, one sustained copy serves every length.  Some presets do not: layers with different
releases, samples that change after note-off, decays still under way.  So the law is measured, at an
early and at a late note-off, and where it does not hold the lengths are rendered one by one.
"""

from __future__ import annotations

import math

import numpy as np

from drillgen.sound.synth import GRID, RATE, Samples, Synth

_EARLY, _LATE = 138 * GRID, 552 * GRID  # note-offs: 0.2 and 0.8 s
_TAIL = 345 * GRID  # 0.5 s
_TOLERANCE = 10 ** (-46 / 20)  # error of the law against the whole note
_HEARD = 10 ** (-50 / 20)  # of the peak: below it the fit does not look
FLOOR = -84.0  # dB: a tail is cut here, below the dither when it is the loudest note there is
# The fall that FluidSynth gives a voice that another of its exclusive class cuts off:
# fluid_voice_kill_excl sets the release to -200 timecents, in which it falls by 96 dB.
CHOKE = -96.0 / 2 ** (-200 / 1200)
_SLOWEST, _FASTEST = -4.0, -20000.0  # dB a second


def measured_release(synth: Synth, key: int, velocity: int) -> float | None:
    """The selected melodic preset's fall after note-off in dB a second, if it follows the law.

    It may depend on key and velocity: soundfonts have layers.
    """
    held = synth.note(False, key, velocity, _LATE + _TAIL, _LATE + _TAIL)
    released = {off: synth.note(False, key, velocity, off, off + _TAIL) for off in (_EARLY, _LATE)}
    rate = _fitted(held, released[_EARLY], _EARLY)
    if rate is None or not _FASTEST < rate < _SLOWEST:
        return None
    errors = (_error(held, copy, off, rate) for off, copy in released.items())
    return rate if max(errors) < _TOLERANCE else None


def fall(rate: float, count: int) -> Samples:
    """Factors of `count` samples from note-off on, for a fall of `rate` dB a second."""
    step = 10 ** (rate * GRID / RATE / 20)
    levels = step ** np.arange(-(-count // GRID), dtype=np.float64)
    straight = 1 - (1 - step) * np.arange(GRID) / GRID
    return np.outer(levels.astype(np.float32), straight.astype(np.float32)).ravel()[:count]


def tail(rate: float) -> int:
    """Samples until a fall has reached FLOOR."""
    return math.ceil(FLOOR / rate * RATE)


def _fitted(held: Samples, released: Samples, off: int) -> float | None:
    """The rate that fits best, weighted by level; None if there is nothing to hear."""
    count = (min(held.shape[1], released.shape[1]) - off) // GRID
    if count < 2:
        return None
    before, after = (_levels(copy[:, off : off + count * GRID]) for copy in (held, released))
    heard = (after > before.max() * _HEARD) & (before > before.max() * _HEARD)
    if before.max() == 0 or heard.sum() < 2:
        return None
    times = (np.arange(count)[heard] + 0.5) * GRID / RATE
    levels = 20 * np.log10(after[heard] / before[heard])
    weights = after[heard]
    return float((weights * times * levels).sum() / (weights * times * times).sum())


def _error(held: Samples, released: Samples, off: int, rate: float) -> float:
    """RMS error of the law in a note's tail against the RMS of the whole note."""
    whole = float(np.square(released, dtype=np.float64).sum())
    count = held.shape[1] - off
    model = held[:, off:] * fall(rate, count) if count > 0 else np.zeros((2, 0), np.float32)
    true = released[:, off:]
    length = max(model.shape[1], true.shape[1])
    error = np.zeros((2, length))
    error[:, : model.shape[1]] += model
    error[:, : true.shape[1]] -= true
    return math.sqrt(float(np.square(error).sum()) / whole) if whole else 0.0


def _levels(samples: Samples) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """RMS-like level of each piece of GRID samples, both channels together."""
    power = np.square(samples, dtype=np.float64).sum(axis=0).reshape(-1, GRID).sum(axis=1)
    return np.asarray(np.sqrt(power))
