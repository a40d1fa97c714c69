"""MP3 of sound in memory, for the practice page."""

from __future__ import annotations

from io import BytesIO

import numpy as np
from numpy.typing import NDArray

from drillgen.audio.lame import stream

_FULL_SCALE = 32767


def mp3(samples: NDArray[np.float32], rate: int = 44100, quality: int = 4) -> bytes:
    """A gapless mono MP3 without tags.

    samples: shape (n,), full scale 1; what is beyond is clipped.  quality: of LAME's varying bit
    rate, 0 (best) to 9.  A browser's `decodeAudioData` in a context of the same rate gives back n
    samples, the first of them first.
    """
    whole = np.clip(np.rint(samples * np.float32(_FULL_SCALE)), -_FULL_SCALE - 1, _FULL_SCALE)
    out = BytesIO()
    stream([whole.astype("<i2").tobytes()], len(whole), rate, 1, out, quality)
    return out.getvalue()
