"""Rendered notes: each distinct note of a soundfont made once, then copied wherever it is played.

A copy is sustained and serves every length where the preset's release follows a law
(`release.py`), else there is a copy for each length.  It serves every velocity that sounds like it
(`release.py`).  Copies are kept on disk (`on_disk.py`).
"""

from __future__ import annotations

import hashlib
import math
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple, TypeGuard, TypeVar

import numpy as np

import drillgen.bank
from drillgen.disk import alone, cache_dir
from drillgen.errors import SoundError, reason
from drillgen.sound.fluidsynth import (
    GRID,
    HOP,
    RATE,
    SETTINGS,
    Closing,
    Progress,
    Samples,
    Synth,
    SynthPool,
    part_of,
)
from drillgen.sound.library import library
from drillgen.sound.loudness import hop_energies
from drillgen.sound.on_disk import NOTHING, Store
from drillgen.sound.release import (
    Beginnings,
    Chokes,
    Law,
    Touch,
    measured_chokes,
    measured_law,
    touches,
)
from drillgen.sound.soundfont_file import check, identity, sha256_of, unchanged
from drillgen.sound.soundfonts import MADE, Soundfont, read_soundfont

LONGEST = 12 * RATE  # samples: nothing in a band rings longer
LEVEL_STEP = 2048  # samples
_NOTHING = 1e-9
_SILENCE = 10 ** (-90 / 20)  # of a copy's peak: its end is cut off below that
# Lengths of sustained copies in seconds, so that a little longer note does not need a new copy.
_LENGTHS = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 16.0, 24.0, 32.0)


class SoundfontPreset(NamedTuple):
    """A sound of the soundfont, or of our own.  (A tuple, as a distinct note is: both are looked up
    thousands of times a track, which takes a tenth of a dataclass's time.)"""

    percussion: bool
    program: int
    bank: int = 0  # in our own, a take of every note: of a kit, the next program
    own: bool = False
    other: int = 0  # 0: of the soundfont itself; n: of its n-th other

    def take(self, number: int) -> SoundfontPreset:
        """One of its takes: `bank` is the first's."""
        return self._replace(bank=self.bank + number)

    @property
    def place(self) -> tuple[int, int]:
        """Program and bank: all percussion is of one bank (SoundFont 2.04, 7.2)."""
        return (self.program + self.bank, 0) if self.percussion else (self.program, self.bank)

    @property
    def source(self) -> int:
        """Whose it is: -1 our own, 0 the soundfont's, n its n-th other's."""
        return -1 if self.own else self.other

    @property
    def address(self) -> str:
        bank = f" bank {self.bank}" if self.bank else ""
        return f"{'percussion' if self.percussion else 'melodic'} {self.program}{bank}"


class DistinctNote(NamedTuple):
    """A distinct note.  `hold` is in samples, a multiple of the grid; 0: sustained."""

    preset: SoundfontPreset
    key: int
    velocity: int
    hold: int

    @property
    def address(self) -> str:
        return f"note {self.preset.address} {self.key} {self.velocity} {self.hold}"


@dataclass(frozen=True, slots=True)
class Copy:
    """A rendered note."""

    samples: Samples  # shape (1, n) where left and right are the same, else (2, n)
    below: tuple[float, ...]  # dB below full scale that it stays from each LEVEL_STEP on, rising
    # Of each HOP, weighted as BS.1770 does, the mean of the channels.
    energies: tuple[float, ...] = ()


Facts = Mapping[str, Any]
_Key = TypeVar("_Key")
_Value = TypeVar("_Value")


def _as_copy(facts: Facts, samples: Samples = NOTHING) -> Copy:
    return Copy(samples, tuple(facts["below"]), tuple(facts["energies"]))


def _reaches(facts: Facts | None, count: int) -> TypeGuard[Facts]:
    """Whether a note is on disk, and as long as asked or until it dies away."""
    return facts is not None and (facts["ends"] or facts["count"] >= count)


class FontBank(Closing):
    """Notes of one soundfont.  Use it in a `with` block; it starts FluidSynth only if it must."""

    def __init__(self, soundfont: Soundfont, jobs: int | None = None) -> None:
        self.soundfont = soundfont
        self._known = identity(soundfont.path)
        if sha256_of(soundfont.path) != soundfont.sha256:
            raise SoundError(f"{soundfont.path} was changed during the build: build again.")
        self._store = Store(f"{soundfont.sha256} FluidSynth {library().version} {SETTINGS}")
        self._jobs = jobs
        self._workers = SynthPool(soundfont.path, self._known, jobs)

    def close(self) -> None:
        """Let the workers go, and keep the cache within its bounds."""
        self._workers.close()
        if self._workers.started:
            self._store.trim()

    def laws(self, notes: Iterable[DistinctNote]) -> dict[DistinctNote, Law]:
        """How each sustained note ends."""
        tasks = sorted(set(notes))
        kept = {note: self._store.get(_law(note)) for note in tasks}
        missing = [note for note in tasks if kept[note] is None]
        made = dict(zip(missing, self._workers.run(missing, self._measured), strict=True))
        return {
            note: made[note] if entry is None else Law(entry[0]["rate"], entry[0]["steps"])
            for note, entry in kept.items()
        }

    def touches(
        self, wanted: Mapping[tuple[SoundfontPreset, int], set[int]]
    ) -> dict[tuple[SoundfontPreset, int], dict[int, Touch]]:
        """For each preset's key and its velocities: what is rendered in their stead."""
        found = {place: self._kept_touches(place) for place in wanted}
        missing = sorted(
            (place, tuple(sorted(velocities - found[place].keys())))
            for place, velocities in wanted.items()
            if velocities - found[place].keys()
        )
        for (place, _), made in zip(
            missing, self._workers.run(missing, self._touched), strict=True
        ):
            found[place] |= made
        return found

    def chokes(self, preset: SoundfontPreset, keys: Iterable[int]) -> Chokes:
        """Which keys of a percussion kit cut which others off: (key, key that it cuts)."""
        ordered = tuple(sorted(set(keys)))
        address = f"chokes {preset.address} {ordered}"
        if (kept := self._store.get(address)) is not None:
            return frozenset((by, cut) for by, cut in kept[0]["pairs"])

        def work(synth: Synth, keys: tuple[int, ...]) -> Chokes:
            _select(synth, preset)
            return measured_chokes(synth, keys)

        [found] = self._workers.run([ordered], work)
        self._put(address, {"pairs": sorted(found)})
        return found

    def fill(self, wanted: Mapping[DistinctNote, int], progress: Progress | None = None) -> None:
        """Render what is not on disk yet, for other processes."""
        missing = sorted(
            (note, count)
            for note, count in wanted.items()
            if not _reaches(self._store.facts(note.address), count)
        )
        self._workers.run(missing, self._render, progress, "Rendering notes")

    def notes(
        self, wanted: Mapping[DistinctNote, int], progress: Progress | None = None
    ) -> dict[DistinctNote, Copy]:
        """A copy of each note, at least as many samples long as asked or until it dies away."""
        with ThreadPoolExecutor(self._jobs) as pool:
            kept = dict(zip(wanted, pool.map(self._kept, wanted.items()), strict=True))
        missing = sorted((note, wanted[note]) for note, copy in kept.items() if copy is None)
        made = self._workers.run(missing, self._made, progress, "Rendering notes")
        rendered = {note: copy for (note, _), copy in zip(missing, made, strict=True)}
        return {note: copy or rendered[note] for note, copy in kept.items()}

    def outlines(
        self, wanted: Mapping[DistinctNote, int], progress: Progress | None = None
    ) -> dict[DistinctNote, Copy]:
        """As `notes`, as a rule without samples, which need not be read."""
        facts = {note: self._store.facts(note.address) for note in wanted}
        kept = {note: _as_copy(f) for note, f in facts.items() if _reaches(f, wanted[note])}
        missing = {note: count for note, count in wanted.items() if note not in kept}
        return kept | self.notes(missing, progress)

    def _kept(self, task: tuple[DistinctNote, int]) -> Copy | None:
        """A note as it lies on disk, where it is long enough."""
        note, count = task
        facts, samples = self._store.get(note.address) or (None, NOTHING)
        return _as_copy(facts, samples) if _reaches(facts, count) else None

    def _put(self, address: str, facts: dict[str, Any], samples: Samples = NOTHING) -> None:
        """Keep what the file that we know has given, and nothing else.  Raises SoundError."""
        unchanged(self.soundfont.path, self._known)
        self._store.put(address, facts, samples)

    def _render(self, synth: Synth, task: tuple[DistinctNote, int]) -> None:
        """Nobody needs it in memory now."""
        self._made(synth, task)

    def _made(self, synth: Synth, task: tuple[DistinctNote, int]) -> Copy:
        note, count = task
        _select(synth, note.preset)
        asked = note.hold + LONGEST if note.hold else _rounded(count)
        raw = synth.note(note.preset.percussion, note.key, note.velocity, note.hold or asked, asked)
        copy = _copy(_slim(raw))
        ends = bool(note.hold) or copy.samples.shape[1] < asked
        facts = {"ends": ends, "below": copy.below, "energies": copy.energies}
        self._put(note.address, facts, copy.samples)
        return copy

    def _touched(
        self, synth: Synth, task: tuple[tuple[SoundfontPreset, int], tuple[int, ...]]
    ) -> dict[int, Touch]:
        (preset, key), velocities = task
        _select(synth, preset)
        made = touches(Beginnings(synth, preset.percussion, key), velocities)
        whole = self._kept_touches((preset, key)) | made
        facts = {str(velocity): touch for velocity, touch in sorted(whole.items())}
        self._put(_touch_address(preset, key), {"touches": facts})
        return made

    def _kept_touches(self, place: tuple[SoundfontPreset, int]) -> dict[int, Touch]:
        entry = self._store.get(_touch_address(*place))
        kept = {} if entry is None else entry[0]["touches"]
        return {int(velocity): Touch(*touch) for velocity, touch in kept.items()}

    def _measured(self, synth: Synth, note: DistinctNote) -> Law:
        _select(synth, note.preset)
        law = measured_law(synth, note.preset.percussion, note.key, note.velocity)
        self._put(_law(note), law._asdict())
        return law


class Bank(Closing):
    """Notes of a soundfont, of its others and of our own, as presets say: each has a `FontBank`."""

    def __init__(self, soundfont: Soundfont, jobs: int | None = None) -> None:
        self.soundfont = soundfont
        self._jobs = jobs
        self._banks = {0: FontBank(soundfont, jobs)}

    def close(self) -> None:
        """Let the workers go, and keep the cache within its bounds."""
        for bank in self._banks.values():
            bank.close()

    def _of(self, source: int) -> FontBank:
        """Our own sounds are looked for, or made, when they are first needed."""
        if source not in self._banks:
            self._banks[source] = FontBank(source_of(self.soundfont, source), self._jobs)
        return self._banks[source]

    def laws(self, notes: Iterable[DistinctNote]) -> dict[DistinctNote, Law]:
        """How each sustained note ends."""
        shares = _by_font(dict.fromkeys(notes, 0)).items()
        return _joined(self._of(source).laws(some) for source, some in shares)

    def touches(
        self, wanted: Mapping[tuple[SoundfontPreset, int], set[int]]
    ) -> dict[tuple[SoundfontPreset, int], dict[int, Touch]]:
        """For each preset's key and its velocities: what is rendered in their stead."""
        return _joined(
            self._of(source).touches({p: v for p, v in wanted.items() if p[0].source == source})
            for source in dict.fromkeys(preset.source for preset, _ in wanted)
        )

    def chokes(self, preset: SoundfontPreset, keys: Iterable[int]) -> Chokes:
        """Which keys of a percussion kit cut which others off: (key, key that it cuts)."""
        return self._of(preset.source).chokes(preset, keys)

    def fill(self, wanted: Mapping[DistinctNote, int], progress: Progress | None = None) -> None:
        """Render what is not on disk yet, for other processes."""
        for bank, some, heard in self._shares(wanted, progress):
            bank.fill(some, heard)

    def notes(
        self, wanted: Mapping[DistinctNote, int], progress: Progress | None = None
    ) -> dict[DistinctNote, Copy]:
        """A copy of each note, at least as many samples long as asked or until it dies away."""
        shares = self._shares(wanted, progress)
        return _joined(bank.notes(some, heard) for bank, some, heard in shares)

    def outlines(
        self, wanted: Mapping[DistinctNote, int], progress: Progress | None = None
    ) -> dict[DistinctNote, Copy]:
        """As `notes`, as a rule without samples, which need not be read."""
        shares = self._shares(wanted, progress)
        return _joined(bank.outlines(some, heard) for bank, some, heard in shares)

    def _shares(
        self, wanted: Mapping[DistinctNote, int], progress: Progress | None
    ) -> Iterator[tuple[FontBank, Mapping[DistinctNote, int], Progress | None]]:
        """The notes of each source, and who hears how far they are."""
        before = 0
        for source, some in _by_font(wanted).items():
            ends = before / len(wanted), (before + len(some)) / len(wanted)
            yield self._of(source), some, progress and part_of(progress, *ends)
            before += len(some)


def source_of(soundfont: Soundfont, source: int) -> Soundfont:
    """Whose a preset's `source` is."""
    if source < 0:
        return own_soundfont()
    return soundfont.others[source - 1] if source else soundfont


# Our own soundfont on this machine: made when it is first needed, and when its recipe changes.
#
# It lies in the cache folder, or, where nothing can be written there, in a folder for this run.

_A_DAY = 86400.0  # seconds


@cache
def own_soundfont() -> Soundfont:
    """Our own soundfont.  Raises SoundError: there is no room for it anywhere."""
    name = f"drillgen-own-{_recipe()[:12]}.sf2"
    try:
        return _kept(cache_dir() / "soundfonts", name)
    except OSError:  # a cache that cannot be written is only slower
        return _for_now(name)


def _recipe() -> str:
    """What the soundfont is made from, as a SHA-256: another recipe is another file."""
    content = hashlib.sha256()
    for folder in drillgen.bank.__path__:
        for source in sorted(Path(folder).glob("*.py")):
            content.update(source.read_bytes())
    return content.hexdigest()


def _kept(folder: Path, name: str) -> Soundfont:
    path = folder / name
    if found := _whole(path):
        return found
    folder.mkdir(parents=True, exist_ok=True)
    # Workers need it at the same time: one makes it, and nobody replaces what others play.
    with alone(folder / "drillgen-own.lock"):
        if found := _whole(path):
            return found
        _remove_old(folder, name)
        _make(path)
        return read_soundfont(path, MADE)


def _whole(path: Path) -> Soundfont | None:
    with suppress(SoundError):  # it is not there yet, or somebody has damaged it
        check(path)
        return read_soundfont(path, MADE)
    return None


def _remove_old(folder: Path, name: str) -> None:
    """Those of other versions, unless they may be in use: made less than a day ago."""
    for older in folder.glob("drillgen-own-*.sf2"):
        with suppress(OSError):  # in use, on Windows
            if older.name != name and time.time() - older.stat().st_mtime > _A_DAY:
                older.unlink()


def _for_now(name: str) -> Soundfont:
    try:
        path = Path(_folder_of_this_run().name) / name
        _make(path)
    except OSError as error:
        raise SoundError(f"There is no room for our own sounds: {reason(error)}.") from error
    return read_soundfont(path, MADE)


def _make(path: Path) -> None:
    from drillgen.bank.make import written  # with NumPy, which not every command needs

    written(path)


@cache
def _folder_of_this_run() -> tempfile.TemporaryDirectory[str]:
    """Removed when the process ends."""
    return tempfile.TemporaryDirectory(prefix="drillgen-")


def _joined(parts: Iterable[Mapping[_Key, _Value]]) -> dict[_Key, _Value]:
    return {key: value for part in parts for key, value in part.items()}


def _by_font(wanted: Mapping[DistinctNote, int]) -> dict[int, dict[DistinctNote, int]]:
    """The notes of each source."""
    parts: dict[int, dict[DistinctNote, int]] = {}
    for note, count in wanted.items():
        parts.setdefault(note.preset.source, {})[note] = count
    return parts


def _touch_address(preset: SoundfontPreset, key: int) -> str:
    return f"velocities of {preset.address} {key}"


def _law(note: DistinctNote) -> str:
    return f"end of {note.address}"


def _select(synth: Synth, preset: SoundfontPreset) -> None:
    if not synth.select(preset.percussion, *preset.place):
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


def _copy(samples: Samples) -> Copy:
    peaks = np.abs(samples).max(axis=0)
    pieces = np.pad(peaks, (0, -len(peaks) % LEVEL_STEP)).reshape(-1, LEVEL_STEP).max(axis=1)
    left = np.maximum.accumulate(pieces[::-1])[::-1].astype(np.float64)
    below = -20 * np.log10(np.maximum(left, _NOTHING))
    return Copy(samples, tuple(np.round(below, 2).tolist()), _energies(samples))


def _energies(samples: Samples) -> tuple[float, ...]:
    whole = np.pad(samples, ((0, 0), (HOP, -samples.shape[1] % HOP)))
    return tuple(float(f"{each:.4g}") for each in hop_energies(whole, RATE) / len(samples))
