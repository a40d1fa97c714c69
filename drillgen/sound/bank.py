"""The note bank: each distinct note rendered once, then copied wherever it is played.

A copy is sustained and serves every length where the preset's release follows a law (`release.py`);
otherwise, and for percussion, there is a copy for each length.  Copies are kept on disk.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from drillgen.sound.choke import measured_chokes
from drillgen.sound.closing import Closing
from drillgen.sound.errors import SoundError
from drillgen.sound.library import library
from drillgen.sound.release import measured_release
from drillgen.sound.soundfonts import Soundfont
from drillgen.sound.store import Store
from drillgen.sound.strokes import Chokes
from drillgen.sound.synth import GRID, RATE, SETTINGS, Samples, Synth
from drillgen.sound.workers import Progress, Workers

_LONGEST_RELEASE = 12 * RATE  # samples: nothing in a band rings longer
_SILENCE = 10 ** (-90 / 20)  # of a copy's peak: its end is cut off below that
# Lengths of sustained copies in seconds, so that a little longer note does not need a new copy.
_LENGTHS = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 16.0, 24.0, 32.0)


@dataclass(frozen=True, slots=True, order=True)
class Preset:
    """A sound of the soundfont."""

    percussion: bool
    program: int

    @property
    def address(self) -> str:
        return f"{'percussion' if self.percussion else 'melodic'} {self.program}"


@dataclass(frozen=True, slots=True, order=True)
class Wanted:
    """A distinct note.  `hold` is in samples, a multiple of the grid; 0: sustained."""

    preset: Preset
    key: int
    velocity: int
    hold: int

    @property
    def address(self) -> str:
        return f"note {self.preset.address} {self.key} {self.velocity} {self.hold}"


class Bank(Closing):
    """Notes of one soundfont.  Use it in a `with` block; it starts FluidSynth only if it must."""

    def __init__(self, soundfont: Soundfont, jobs: int | None = None) -> None:
        self.soundfont = soundfont
        self._store = Store(f"{soundfont.sha256} FluidSynth {library().version} {SETTINGS}")
        self._workers = Workers(soundfont.path, jobs)

    def close(self) -> None:
        """Let the workers go, and keep the cache within its bounds."""
        self._workers.close()
        if self._workers.started:
            self._store.trim()

    def releases(self, notes: Iterable[Wanted]) -> dict[Wanted, float | None]:
        """For each sustained melodic note: its fall after note-off in dB a second.

        None if it follows no law, so that no sustained copy will do.
        """
        tasks = sorted(set(notes))
        kept = {note: self._store.get(_law(note)) for note in tasks}
        missing = [note for note in tasks if kept[note] is None]
        made = dict(zip(missing, self._workers.run(missing, self._measured), strict=True))
        return {
            note: made[note] if entry is None else entry[0]["rate"] for note, entry in kept.items()
        }

    def chokes(self, preset: Preset, keys: Iterable[int]) -> Chokes:
        """Which keys of a percussion kit cut which others off."""
        ordered = tuple(sorted(set(keys)))
        address = f"chokes {preset.address} {ordered}"
        if (kept := self._store.get(address)) is not None:
            return frozenset((by, cut) for by, cut in kept[0]["pairs"])

        def work(synth: Synth, keys: tuple[int, ...]) -> Chokes:
            _select(synth, preset)
            return measured_chokes(synth, keys)

        [found] = self._workers.run([ordered], work)
        self._store.put(address, {"pairs": sorted(found)})
        return found

    def fill(
        self, wanted: Mapping[Wanted, int], progress: Progress | None = None
    ) -> dict[Wanted, Samples]:
        """Render what is not there yet; returns only what could not be kept on disk."""
        missing = sorted(task for task in wanted.items() if not self._has(*task))
        made = self._workers.run(missing, self._rendered, progress, "Rendering notes")
        return {
            note: copy for (note, _), copy in zip(missing, made, strict=True) if copy is not None
        }

    def copies(
        self, wanted: Mapping[Wanted, int], progress: Progress | None = None
    ) -> dict[Wanted, Samples]:
        """A copy of each note, at least as many samples long as asked or until it dies away.

        Shape (1, n) where left and right are the same, else (2, n).
        """
        copies = self.fill(wanted, progress)
        for note in wanted.keys() - copies.keys():
            if (entry := self._store.get(note.address)) is not None:
                copies[note] = entry[1]
        damaged = sorted((note, wanted[note]) for note in wanted.keys() - copies.keys())
        again = self._workers.run(damaged, self._made)
        return copies | {note: copy for (note, _), copy in zip(damaged, again, strict=True)}

    def _has(self, note: Wanted, count: int) -> bool:
        facts = self._store.facts(note.address)
        return facts is not None and (facts["ends"] or facts["count"] >= count)

    def _rendered(self, synth: Synth, task: tuple[Wanted, int]) -> Samples | None:
        """None: it is on disk, and need not be held in memory now."""
        copy = self._made(synth, task)
        return None if self._has(*task) else copy

    def _made(self, synth: Synth, task: tuple[Wanted, int]) -> Samples:
        note, count = task
        _select(synth, note.preset)
        asked = note.hold + _LONGEST_RELEASE if note.hold else _rounded(count)
        raw = synth.note(note.preset.percussion, note.key, note.velocity, note.hold or asked, asked)
        copy = _slim(raw)
        self._store.put(note.address, {"ends": bool(note.hold) or copy.shape[1] < asked}, copy)
        return copy

    def _measured(self, synth: Synth, note: Wanted) -> float | None:
        _select(synth, note.preset)
        rate = measured_release(synth, note.key, note.velocity)
        self._store.put(_law(note), {"rate": rate})
        return rate


def _law(note: Wanted) -> str:
    return f"release of {note.address}"


def _select(synth: Synth, preset: Preset) -> None:
    if not synth.select(preset.percussion, preset.program):
        raise SoundError(f"The soundfont has no {preset.address} preset.")


def _rounded(count: int) -> int:
    """A length of sustained copy that is at least `count` samples."""
    seconds = next((length for length in _LENGTHS if length * RATE >= count), None)
    return math.ceil(count / RATE) * RATE if seconds is None else int(seconds * RATE)


def _slim(raw: Samples) -> Samples:
    """Without the silence at the end, and as one channel if left and right are the same."""
    peaks = np.abs(raw).max(axis=0).reshape(-1, GRID).max(axis=1)
    loud = np.flatnonzero(peaks > peaks.max() * _SILENCE)
    end = (int(loud[-1]) + 1) * GRID if len(loud) else GRID
    slim = raw[:, :end]
    return np.ascontiguousarray(slim[:1] if np.array_equal(slim[0], slim[1]) else slim)
