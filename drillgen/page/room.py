"""The room of the mixes for the page: the same impulse response, as 16-bit numbers."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np

from drillgen.sound.room import OFF, response


def impulse(size: str | float) -> dict[str, Any] | None:
    """Left, then right, as base64 of little-endian 16-bit numbers, and their scale; None: off.

    Raises SoundError: no such room.
    """
    if size == OFF:
        return None
    samples = response(size)
    peak = float(np.abs(samples).max())
    words = np.round(samples / peak * 32767).astype("<i2")
    return {
        "taps": samples.shape[1],
        "peak": peak,
        "words": base64.b64encode(words.tobytes()).decode("ascii"),
    }
