"""Random numbers that are the same on every machine and with every NumPy.

NumPy promises the stream of a bit generator for ever, but not what `Generator` makes of it ("Random
Generator: compatibility policy", NumPy's manual), so only raw bits are taken from it.
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_BITS = 53  # of a 64-bit float's mantissa


class Chance:
    """A stream of numbers that depends on what it is for, and on nothing else."""

    def __init__(self, *purpose: object) -> None:
        words = " ".join(str(part) for part in purpose)
        seed = int.from_bytes(hashlib.sha256(words.encode("utf-8")).digest()[:8], "little")
        self._bits = np.random.PCG64(seed)

    def even(self, count: int, low: float = 0.0, high: float = 1.0) -> Floats:
        """Evenly spread from `low` up to `high`."""
        raw = self._bits.random_raw(count) >> np.uint64(64 - _BITS)
        return low + (high - low) * (raw.astype(np.float64) / 2.0**_BITS)

    def one(self, low: float, high: float) -> float:
        """One number from `low` up to `high`."""
        return float(self.even(1, low, high)[0])

    def bell(self, count: int) -> Floats:
        """Normally spread, mean 0 and deviation 1 (Box & Muller, Ann. Math. Stat. 29, 1958)."""
        radius = np.sqrt(-2.0 * np.log(1.0 - self.even(count)))
        return radius * np.cos(2.0 * np.pi * self.even(count))
