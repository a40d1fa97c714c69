"""FluidSynth: one synthesiser, and several at work side by side."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from drillgen.errors import SoundError
from drillgen.sound.library import library
from drillgen.sound.soundfont_file import Identity, check, identity, unchanged
from drillgen.sound.soundfonts import PERCUSSION_BANK

# Things that hold something which must be given back, for use in a `with` block.


class Closing:
    """Calls `close` when a `with` block ends, however it ends."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *details: object) -> None:
        self.close()

    def close(self) -> None:
        """Give back what is held; a second call does nothing."""
        raise NotImplementedError


# FluidSynth, rendering into arrays.
#
# Samples are float32, 44.1 kHz, shape (2, n): left and right. Reverb and chorus are off, so that a
# note is itself and nothing else. A `Synth` belongs to one thread; libfluidsynth runs without
# Python's lock, so threads with a synth each run at once.

Samples = NDArray[np.float32]

RATE = 44100  # samples a second
HOP = RATE // 10  # samples: 100 ms, the step in which loudness is measured and tracks are cut up
GRID = 64  # samples: FluidSynth begins and ends notes only at multiples of this
_MELODIC, _PERCUSSION = 0, 9  # MIDI channel indices
_FAILED = -1
_PIECE = 128 * GRID  # samples between looks whether a note still sounds

# FluidSynth fills tables of its own for the first synthesiser of a process, and keeps one store of
# loaded samples for all: a second thread must not come in between (seen in 2.3.1 and 2.5.7: the
# second synthesiser played from half-filled tables).
_ONE_AT_A_TIME = threading.Lock()

_NUMBERS = {"synth.gain": 1.0, "synth.sample-rate": float(RATE)}
_INTEGERS = {
    "synth.reverb.active": 0,
    "synth.chorus.active": 0,
    "synth.polyphony": 512,
    "synth.cpu-cores": 1,
    "synth.lock-memory": 0,
    # Loads only the samples of chosen presets: 0.01 s instead of 0.4 s for a bank of 148 MB.
    "synth.dynamic-sample-loading": 1,
}
# What the samples depend on besides library, soundfont and note: part of the cache's address.
SETTINGS = f"gain 1, {RATE} Hz, no effects, interpolation 4"


class Synth(Closing):
    """One synthesiser with one soundfont.  Use it in a `with` block."""

    def __init__(self, soundfont: Path, known: Identity | None = None) -> None:
        """`known`: the file that it must be; by default the one that is there now.

        Raises SoundError: no library, another file, or not a soundfont that FluidSynth can use.
        """
        self._path = soundfont
        self._known = known or identity(soundfont)
        check(soundfont)
        with _ONE_AT_A_TIME:
            self._start(soundfont)

    def _start(self, soundfont: Path) -> None:
        found = library()
        self._f, self._write, self._voices = found.module, found.write_float, found.count_voices
        self._settings = self._f.new_fluid_settings()
        for name, number in _NUMBERS.items():
            self._f.fluid_settings_setnum(self._settings, name.encode(), number)
        for name, integer in _INTEGERS.items():
            self._f.fluid_settings_setint(self._settings, name.encode(), integer)
        self._synth = self._f.new_fluid_synth(self._settings)
        if not self._synth:
            self._f.delete_fluid_settings(self._settings)
            raise SoundError("FluidSynth could not be started.")
        self._selected: dict[int, tuple[int, int]] = {}
        self._font = self._f.fluid_synth_sfload(self._synth, os.fsencode(soundfont), 0)
        if self._font == _FAILED:
            self._free()
            raise SoundError(f"{soundfont} cannot be used as a soundfont: FluidSynth refuses it.")

    def close(self) -> None:
        """Free the synthesiser; a second call does nothing."""
        with _ONE_AT_A_TIME:
            self._free()

    def _free(self) -> None:
        if self._synth:
            self._f.delete_fluid_synth(self._synth)
            self._f.delete_fluid_settings(self._settings)
            self._synth = None

    def select(self, percussion: bool, program: int, bank: int = 0) -> bool:
        """Choose a preset, of percussion always in its bank; False if there is no such preset."""
        channel = _PERCUSSION if percussion else _MELODIC
        bank = PERCUSSION_BANK if percussion else bank
        if self._selected.get(channel) == (bank, program):
            return True
        self._selected.pop(channel, None)
        with _ONE_AT_A_TIME:
            # FluidSynth reads the file for each preset anew, and takes what it finds there.
            unchanged(self._path, self._known)
            done = self._f.fluid_synth_program_select(
                self._synth, channel, self._font, bank, program
            )
            unchanged(self._path, self._known)
        if done == _FAILED:
            return False
        self._selected[channel] = (bank, program)
        return True

    def on(self, percussion: bool, key: int, velocity: int) -> None:
        channel = _PERCUSSION if percussion else _MELODIC
        self._f.fluid_synth_noteon(self._synth, channel, key, velocity)

    def off(self, percussion: bool, key: int) -> None:
        channel = _PERCUSSION if percussion else _MELODIC
        self._f.fluid_synth_noteoff(self._synth, channel, key)

    def clear(self) -> None:
        """Stop everything at once; the next sample is silent."""
        for channel in (_MELODIC, _PERCUSSION):
            self._f.fluid_synth_all_sounds_off(self._synth, channel)
        while self._voices(self._synth):
            self.read(GRID)

    @property
    def sounding(self) -> bool:
        return bool(self._voices(self._synth) > 0)

    def read(self, count: int) -> Samples:
        """The next `count` samples, which must be a multiple of GRID."""
        out = np.empty((2, count), np.float32)
        left, right = out[0].ctypes.data, out[1].ctypes.data
        if self._write(self._synth, count, left, 0, 1, right, 0, 1) == _FAILED:
            raise SoundError("FluidSynth failed while rendering.")
        return out

    def note(self, percussion: bool, key: int, velocity: int, hold: int, count: int) -> Samples:
        """One note alone from its first sample: held for `hold` samples, at most `count` long.

        Both are rounded up to the grid; it is shorter where the note has died away before.  The
        preset must have been selected.

        A voice of FluidSynth's begins with a ramp of 64 samples from the level that its previous
        note had (`current_amp` in fluid_rvoice.c), so the note is struck once before, to have it
        always begin from its own level, as it does in the course of playing.
        """
        hold, count = on_grid(hold), on_grid(count)
        self.on(percussion, key, velocity)
        self.read(GRID)
        self.clear()
        self.on(percussion, key, velocity)
        parts = self._pieces(min(hold, count))
        if hold < count:
            self.off(percussion, key)
            parts += self._pieces(count - hold)
        self.clear()
        return np.concatenate(parts, axis=1)

    def _pieces(self, count: int) -> list[Samples]:
        """`count` samples in pieces, or fewer if all falls silent; at least one piece."""
        pieces = [self.read(min(count, _PIECE))]
        done = _PIECE
        while done < count and self.sounding:
            pieces.append(self.read(min(count - done, _PIECE)))
            done += _PIECE
        return pieces


def on_grid(samples: int) -> int:
    """The next multiple of FluidSynth's grid, at least one."""
    return max(-(-samples // GRID), 1) * GRID


def nearest_on_grid(samples: int, coarse: int = 1) -> int:
    """The nearest multiple of FluidSynth's grid, or of so many of its steps, at least one."""
    return max(round(samples / (coarse * GRID)), 1) * coarse * GRID


# Threads that render notes, each with a synthesiser of its own, started when first needed.

Progress = Callable[[float, str], None]


def part_of(whole: Progress, first: float, last: float) -> Progress:
    """Progress of a part of the work, from one share of the whole to another."""
    return lambda done, what: whole(first + (last - first) * done, what)


Task = TypeVar("Task")
Result = TypeVar("Result")


class SynthPool(Closing):
    """Use it in a `with` block."""

    def __init__(self, soundfont: Path, known: Identity, jobs: int | None = None) -> None:
        self._soundfont, self._known = soundfont, known
        self._jobs = jobs or os.cpu_count() or 1
        self._own = threading.local()
        self._synths: list[Synth] = []
        self._pool: ThreadPoolExecutor | None = None

    def close(self) -> None:
        """Stop, and free the synthesisers."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
        for synth in self._synths:
            synth.close()

    @property
    def started(self) -> bool:
        return self._pool is not None

    def run(
        self,
        tasks: Sequence[Task],
        work: Callable[[Synth, Task], Result],
        progress: Progress | None = None,
        what: str = "",
    ) -> list[Result]:
        """`work` on each task, results in the tasks' order.  The first error is raised."""
        if not tasks:
            return []
        if self._pool is None:
            self._pool = ThreadPoolExecutor(self._jobs)
        results = []
        for result in self._pool.map(lambda task: work(self._synth(), task), tasks):
            results.append(result)
            if progress is not None:
                progress(len(results) / len(tasks), what)
        return results

    def _synth(self) -> Synth:
        if not hasattr(self._own, "synth"):
            self._own.synth = Synth(self._soundfont, self._known)
            self._synths.append(self._own.synth)
        synth: Synth = self._own.synth
        return synth
