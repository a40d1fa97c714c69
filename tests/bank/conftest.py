"""Our own soundfont, made once by the command, and a synthesiser that plays it."""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from drillgen.sound.library import library
from drillgen.sound.samples import own_soundfont

RATE = 44100
Note = Callable[..., "np.ndarray[tuple[int], np.dtype[np.float64]]"]


@pytest.fixture(scope="session")
def own(notes: Path) -> Path:
    """Our own soundfont, as the first build of this run has left it, or as it is made now."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DRILLGEN_CACHE", str(notes))
        own_soundfont.cache_clear()  # another test may have had another cache
        return own_soundfont().path


class Said:
    """What FluidSynth wrote to its log: panics, errors and warnings."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        function = ctypes.CFUNCTYPE(None, ctypes.c_int, ctypes.c_char_p, ctypes.c_void_p)
        self.function = function(lambda level, text, data: self.lines.append(text.decode()))


@pytest.fixture(scope="session")
def played(own: Path) -> Iterator[tuple[Note, Said]]:
    """`note(bank, program, key, velocity, hold, seconds)` as one channel, and FluidSynth's log."""
    f = library().module
    said = Said()
    set_log = ctypes.CDLL(library().path).fluid_set_log_function
    set_log.argtypes = [ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p]
    for level in range(3):
        set_log(level, ctypes.cast(said.function, ctypes.c_void_p), None)
    synth = f.Synth(gain=1.0, samplerate=float(RATE))
    for name in ("synth.reverb.active", "synth.chorus.active"):
        synth.setting(name, 0)
    font = synth.sfload(str(own))

    def note(
        bank: int, program: int, key: int, velocity: int = 84, hold: float = 6.0, seconds: float = 6
    ) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        channel = 9 if bank == 128 else 0
        assert synth.program_select(channel, font, bank, program) == 0
        synth.noteon(channel, key, velocity)
        parts = [read(round(min(hold, seconds) * RATE))]
        synth.noteoff(channel, key)
        if seconds > hold:
            parts.append(read(round((seconds - hold) * RATE)))
        f.fluid_synth_all_sounds_off(synth.synth, channel)
        read(RATE // 2)
        return np.concatenate(parts)

    def read(count: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        both = np.empty((2, count), np.float32)
        left, right = (side.ctypes.data for side in both)
        assert library().write_float(synth.synth, count, left, 0, 1, right, 0, 1) == 0
        return np.asarray(both.mean(axis=0), np.float64)

    yield note, said
    synth.delete()
    for level in range(5):
        set_log(level, None, None)
