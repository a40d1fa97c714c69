"""How a preset's notes die after note-off.

FluidSynth lets the level fall by a constant number of dB a second (SoundFont 2.04, 8.1.3,
releaseVolEnv), reckoned anew every 64 samples and drawn straight between.  Where a note follows
that law, one sustained copy serves every length.  Some presets do not: layers with different
releases, samples that change after note-off, decays still under way.  So the law is measured, after
short and long notes, and where it does not hold the lengths are rendered one by one.
"""

from __future__ import annotations

import math
from functools import cache, lru_cache, partial
from typing import NamedTuple

import numpy as np

from drillgen.sound.library import library
from drillgen.sound.synth import GRID, RATE, Samples, Synth

# Note-offs: 0.07 (drum strokes are short), 0.2 and 0.8 s.
_SHORT, _EARLY, _LATE = 48 * GRID, 138 * GRID, 552 * GRID
_TAIL = 345 * GRID  # 0.5 s
_TOLERANCE = 10 ** (-43 / 20)  # error of the law against the whole note
_HEARD = 10 ** (-50 / 20)  # of the peak: below it the fit does not look
FLOOR = -84.0  # dB: a tail is cut here, below the dither when it is the loudest note there is
# The release, in timecents, that FluidSynth gives a voice that another of its exclusive class cuts
# off (fluid_voice_kill_excl): a fall by 96 dB.  It is shorter since 2.4.3, which has "faster
# exclusive class note cutoff" (FluidSynth's pull request 1468).
_CUT_OFF, _CUT_OFF_FASTER, _FASTER_SINCE = -200, -2000, (2, 4, 3)
_HOLDS = (_SHORT, _EARLY)
# A melodic note is seldom as short as _SHORT; where it is, this much error is below the rest.
_TOLERANCE_SHORT = 10 ** (-37 / 20)
_COARSE = (32, 16, 8, 4)  # of the grid: in drums, note-off often changes little
_SLOWEST, _FASTEST = -1.0, -20000.0  # dB a second


class Law(NamedTuple):
    """How a note ends."""

    rate: float | None  # dB a second from note-off on; 0: not at all; None: no law holds
    steps: int  # of the grid, to which note-off may be rounded where no law holds


def measured_release(synth: Synth, percussion: bool, key: int, velocity: int) -> float | None:
    """The selected preset's fall after note-off in dB a second, if it follows the law.

    It may depend on key and velocity: soundfonts have layers.  0: note-off changes nothing, as in
    most drums.
    """
    held = synth.note(percussion, key, velocity, _LATE + _TAIL, _LATE + _TAIL)
    released = {
        off: synth.note(percussion, key, velocity, off, off + _TAIL)
        for off in (_SHORT, _EARLY, _LATE)
    }
    most = dict.fromkeys(released, _TOLERANCE)
    if not percussion:
        most[_SHORT] = _TOLERANCE_SHORT
    fitted = fitted_fall(held, released[_EARLY], _EARLY)
    rates = [0.0] if fitted is None else [0.0, float(f"{fitted:.3g}")]
    for rate in (rate for rate in rates if rate == 0 or _FASTEST < rate < _SLOWEST):
        if all(_error(held, copy, off, rate) < most[off] for off, copy in released.items()):
            return rate
    return None


def measured_law(synth: Synth, percussion: bool, key: int, velocity: int) -> Law:
    """How the selected preset's notes end, and how exactly note-off must be kept."""
    rate = measured_release(synth, percussion, key, velocity)
    if rate is not None:
        return Law(rate, 1)
    note = partial(synth.note, percussion, key, velocity)
    for steps in _COARSE:
        later = steps * GRID // 2
        pairs = ((note(off + later, off + _TAIL), note(off, off + _TAIL)) for off in _HOLDS)
        if all(_unlike(late, true) < _TOLERANCE for late, true in pairs):
            return Law(None, steps)
    return Law(None, 1)


def fall(rate: float, count: int) -> Samples:
    """Factors of `count` samples from note-off on, for a fall of `rate` dB a second."""
    step = 10 ** (rate * GRID / RATE / 20)
    levels = step ** np.arange(-(-count // GRID), dtype=np.float64)
    straight = 1 - (1 - step) * np.arange(GRID) / GRID
    return np.outer(levels.astype(np.float32), straight.astype(np.float32)).ravel()[:count]


@cache
def choke_fall() -> float:
    """How a stroke that is cut off by another falls, in dB a second."""
    version = tuple(int(number) for number in library().version.split("."))
    timecents = _CUT_OFF_FASTER if version >= _FASTER_SINCE else _CUT_OFF
    return -96.0 / 2 ** (timecents / 1200)


@lru_cache(maxsize=256)
def curve(rate: float) -> Samples:
    """The whole of a fall, until it has reached FLOOR."""
    return fall(rate, tail(rate))


def tail(rate: float) -> int:
    """Samples until a fall has reached FLOOR."""
    return math.ceil(FLOOR / rate * RATE)


def fitted_fall(held: Samples, released: Samples, off: int) -> float | None:
    """The fall in dB a second from the sample `off` on that fits best, weighted by level.

    None if there is nothing to hear.
    """
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
    """RMS error of the law in the first _TAIL after note-off against the RMS of the whole note."""
    whole = float(np.square(released, dtype=np.float64).sum())
    before, true = held[:, off : off + _TAIL], released[:, off : off + _TAIL]
    return _unlike(before * fall(rate, before.shape[1]), true, whole)


def _unlike(model: Samples, true: Samples, whole: float | None = None) -> float:
    """RMS of a difference against that of the whole, which is the energy of `true` if not given."""
    error = np.zeros((2, max(model.shape[1], true.shape[1])))
    error[:, : true.shape[1]] += true
    against = float(np.square(error).sum()) if whole is None else whole
    error[:, : model.shape[1]] -= model
    return math.sqrt(float(np.square(error).sum()) / against) if against else 0.0


def _levels(samples: Samples) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """RMS-like level of each piece of GRID samples, both channels together."""
    power = np.square(samples, dtype=np.float64).sum(axis=0).reshape(-1, GRID).sum(axis=1)
    return np.asarray(np.sqrt(power))
