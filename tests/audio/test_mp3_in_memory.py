"""Sound in memory as MP3 for the practice page."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
import soundfile

from drillgen.audio.mp3 import mp3_in_memory
from tests.audio.helpers import RATE, music


@pytest.mark.parametrize("rate", [48000, 44100, 24000, 22050])
def test_same_place(rate: int) -> None:
    """mpg123 (in libsndfile) gives back as many samples, a click among them on its own sample."""
    sound = np.zeros(3 * rate + 17, np.float32)
    sound[rate + 5] = 0.9
    back, found = soundfile.read(BytesIO(mp3_in_memory(sound, rate)))
    assert found == rate
    assert back.shape == sound.shape
    assert int(np.argmax(np.abs(back))) == rate + 5


def test_clean_and_small() -> None:
    """It is the sound that was given, at less than a quarter of the size of 16 bits."""
    sound = (music(5 * RATE, 1)[:, 0] / 32768).astype(np.float32)
    packed = mp3_in_memory(sound)
    back, _ = soundfile.read(BytesIO(packed), dtype="float32")
    noise = float(np.sum((back - sound) ** 2))
    assert 10 * np.log10(np.sum(sound**2) / noise) > 15
    assert len(packed) < len(sound) * 2 / 4


def test_too_loud_is_clipped() -> None:
    """What is beyond full scale is clipped, and does not turn over."""
    loud = np.full(RATE, 1.5, np.float32)
    back, _ = soundfile.read(BytesIO(mp3_in_memory(loud)), dtype="float32")
    assert back[RATE // 2] > 0.9
