"""Rendered notes, and the disk that keeps them.

Rendered sound kept on disk between runs.

One file an entry, named by the SHA-256 of all that its samples depend on.  Entries are written
whole and carry checksums of their facts and of their samples, so that many processes may share the
folder, and a damaged entry is made again, never played.  What was used longest ago goes when the
folder grows too big.

Rendered notes: each distinct note of a soundfont made once, and choked where the kit does so.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import math
import os
import struct
import threading
import time
import zlib
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, NamedTuple, TypeGuard

import numpy as np

from drillgen.disk import cache_dir, is_regular, whole_file
from drillgen.errors import SoundError, remark
from drillgen.sound.checksums import sha256_of
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
)
from drillgen.sound.library import library
from drillgen.sound.loudness import hop_energies
from drillgen.sound.own_soundfont import own_soundfont
from drillgen.sound.release import Beginnings, Chokes, Law, Touch, measured_law, touches
from drillgen.sound.soundfont_file import identity, unchanged
from drillgen.sound.soundfonts import Soundfont

LIMIT = 1 << 30  # bytes
_FORMAT = 5  # counts up when the meaning of an entry changes
_HEAD = struct.Struct("<8sII")  # mark, CRC-32 of the facts and their length, bytes of the facts
_SUM = struct.Struct("<I")  # behind the facts: CRC-32 of the samples
_ALIGNED = 16  # bytes: where samples may begin
_MOST_FACTS, _MOST = 1 << 20, 64 << 20  # bytes; ours have some hundreds, and 11 million at most
_HALF_DONE = 3600.0  # seconds after which a file that is not finished is nobody's any more
_MARK = b"drillsnd"
NOTHING: Samples = np.zeros((1, 0), np.float32)
Entry = tuple[dict[str, Any], Samples]
_FRESH = 86400.0  # seconds: how exactly the last use is recorded


class Store:
    """Entries of one soundfont and one synthesiser: facts (JSON) with samples, or without."""

    def __init__(self, group: str, limit: int = LIMIT) -> None:
        self._top = cache_dir() / "notes"
        self._folder = self._top / hashlib.sha256(f"{_FORMAT} {group}".encode()).hexdigest()[:24]
        self._limit = limit

    def facts(self, address: str) -> dict[str, Any] | None:
        """The facts of an entry alone, without a look at its samples; None if it is not there."""
        path = self._path(address)
        if (held := _memory.get(path)) is not None:
            return held[0]
        try:
            if not is_regular(path):
                raise FileNotFoundError
            with path.open("rb") as file:
                return _facts(file)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, struct.error):
            self._remark_damage()
            return None

    def get(self, address: str) -> Entry | None:
        """Facts and samples, shape (channels, n), of an entry; None if it is not there whole."""
        path = self._path(address)
        if (held := _memory.get(path)) is not None:
            return held
        if not is_regular(path):
            return None
        try:
            state = path.stat()
            entry = _unpacked(path.read_bytes() if state.st_size <= _MOST else b"")
            if time.time() - state.st_mtime > _FRESH:
                os.utime(path)
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, struct.error):
            self._remark_damage()
            return None
        return _memory.put(path, entry)

    def _remark_damage(self) -> None:
        """An entry is there, and of no use."""
        remark(
            f"something in the cache of rendered notes was damaged, and was made again; {self._top}"
            " may be deleted at any time"
        )

    def put(self, address: str, facts: dict[str, Any], samples: Samples = NOTHING) -> bool:
        """Keep an entry; False where the folder cannot be written."""
        facts = facts | dict(zip(("channels", "count"), samples.shape, strict=True))
        text = json.dumps(facts).encode("utf-8")
        text += b" " * (-(_HEAD.size + len(text) + _SUM.size) % _ALIGNED)
        body = np.ascontiguousarray(samples, "<f4").data
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            with whole_file(self._path(address)) as file:
                file.write(_HEAD.pack(_MARK, _check(text), len(text)))
                file.write(text)
                file.write(_SUM.pack(zlib.crc32(body)))
                file.write(body)
        except OSError:
            return False
        _memory.put(self._path(address), (facts, samples))
        return True

    def trim(self) -> None:
        """Remove what was used longest ago until everything fits, with some room to spare; and what
        killed writers have left."""
        files = []
        old = time.time() - _HALF_DONE
        with contextlib.suppress(OSError):
            for path in self._top.glob("*/*"):
                state = path.lstat()
                if path.name.startswith(".part-") and state.st_mtime < old:
                    path.unlink(missing_ok=True)
                else:
                    files.append((state.st_mtime, state.st_size, path))
        total = sum(size for _, size, _ in files)
        if total <= self._limit:
            return
        for _, size, path in sorted(files):
            with contextlib.suppress(OSError):
                path.unlink()
            total -= size
            if total <= self._limit * 0.8:
                break

    def _path(self, address: str) -> Path:
        return self._folder / hashlib.sha256(address.encode()).hexdigest()[:32]


class _Memory:
    """Entries that stay in memory for the next track: the last used, within bounds."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._lock = threading.Lock()
        self._bytes = 0
        self._entries: dict[Path, Entry] = {}

    def get(self, path: Path) -> Entry | None:
        return self._entries.get(path)

    def put(self, path: Path, entry: Entry) -> Entry:
        with self._lock:
            self._drop(path)
            while self._entries and self._bytes + entry[1].nbytes > self._limit:
                self._drop(next(iter(self._entries)))
            self._bytes += entry[1].nbytes
            self._entries[path] = entry
        return entry

    def clear(self) -> None:
        with self._lock:
            self._entries.clear()
            self._bytes = 0

    def _drop(self, path: Path) -> None:
        if (entry := self._entries.pop(path, None)) is not None:
            self._bytes -= entry[1].nbytes


_memory = _Memory(72 << 20)


def forget() -> None:
    """Have all entries read from disk again."""
    _memory.clear()


def _check(text: bytes) -> int:
    return zlib.crc32(text, zlib.crc32(str(len(text)).encode()))


def _facts(file: IO[bytes]) -> dict[str, Any]:
    """The facts at the beginning of an entry.  Raises ValueError, struct.error where it is
    damaged."""
    mark, check, length = _HEAD.unpack(file.read(_HEAD.size))
    text = file.read(min(length, _MOST_FACTS))
    if mark != _MARK or len(text) != length or _check(text) != check:
        raise ValueError
    facts: dict[str, Any] = json.loads(text)
    return facts


def _unpacked(content: bytes) -> Entry:
    """An entry.  Raises ValueError, KeyError, struct.error where it is damaged."""
    file = io.BytesIO(content)
    facts = _facts(file)
    (check,) = _SUM.unpack(file.read(_SUM.size))
    body = memoryview(content)[file.tell() :]
    if zlib.crc32(body) != check:
        raise ValueError
    return facts, np.frombuffer(body, "<f4").reshape(facts["channels"], facts["count"])


# Which strokes of a percussion kit silence which others.
#
# A soundfont puts such strokes into an exclusive class (SoundFont 2.04, 8.1.3, exclusiveClass):
# closed, pedal and open hi-hat as a rule. FluidSynth is asked instead of the file: one stroke, then
# another a little later; if less is left of the first than when it sounds alone, it has been cut.

_LATER = 32 * GRID  # samples from the first stroke to the second
_LOOK = 96 * GRID  # samples compared, the last of what is rendered
_ALL = 160 * GRID
_VELOCITY = 100
_LEFT = 10 ** (-6 / 20)  # a cut stroke has fallen by 8 dB at least where it is compared
_AUDIBLE = 1e-4


def measured_chokes(synth: Synth, keys: tuple[int, ...]) -> frozenset[tuple[int, int]]:
    """The pairs (key, key that it cuts off) of the selected kit, a key itself among them."""
    alone = {key: _alone(synth, key) for key in keys}
    ringing = [key for key in keys if np.abs(alone[key][:, -_LOOK:]).max() > _AUDIBLE]
    return frozenset(
        (by, cut) for cut in ringing for by in keys if _cuts(synth, by, cut, alone[by], alone[cut])
    )


def _cuts(synth: Synth, by: int, cut: int, second: Samples, first: Samples) -> bool:
    synth.on(True, cut, _VELOCITY)
    synth.read(_LATER)
    synth.on(True, by, _VELOCITY)
    both = synth.read(_ALL - _LATER)
    synth.clear()
    left = both[:, -_LOOK:] - second[:, _ALL - _LATER - _LOOK : _ALL - _LATER]
    return _size(left) < _size(first[:, -_LOOK:]) * _LEFT


def _alone(synth: Synth, key: int) -> Samples:
    """One stroke, struck once before for the reason given in `Synth.note`."""
    for _ in range(2):
        synth.on(True, key, _VELOCITY)
        samples = synth.read(_ALL)
        synth.clear()
    return samples


def _size(samples: Samples) -> float:
    return float(np.sqrt(np.square(samples, dtype=np.float64).sum()))


# The note bank: each distinct note rendered once, then copied wherever it is played.
#
# A copy is sustained and serves every length where the preset's release follows a law
# (`release.py`), else there is a copy for each length. It serves every velocity that sounds like it
# (`release.py`). Copies are kept on disk.

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
        missing = sorted(task for task in wanted.items() if not self._has(*task))
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

    def _has(self, note: DistinctNote, count: int) -> bool:
        return _reaches(self._store.facts(note.address), count)

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
        wanted = dict.fromkeys(notes, 0)
        parts = (self._of(source).laws(some) for source, some in _by_font(wanted).items())
        return {note: law for part in parts for note, law in part.items()}

    def touches(
        self, wanted: Mapping[tuple[SoundfontPreset, int], set[int]]
    ) -> dict[tuple[SoundfontPreset, int], dict[int, Touch]]:
        """For each preset's key and its velocities: what is rendered in their stead."""
        found: dict[tuple[SoundfontPreset, int], dict[int, Touch]] = {}
        for source in dict.fromkeys(preset.source for preset, _ in wanted):
            some = {place: v for place, v in wanted.items() if place[0].source == source}
            found |= self._of(source).touches(some)
        return found

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
        parts = (bank.notes(some, heard) for bank, some, heard in self._shares(wanted, progress))
        return {note: copy for part in parts for note, copy in part.items()}

    def outlines(
        self, wanted: Mapping[DistinctNote, int], progress: Progress | None = None
    ) -> dict[DistinctNote, Copy]:
        """As `notes`, as a rule without samples, which need not be read."""
        shares = self._shares(wanted, progress)
        parts = (bank.outlines(some, heard) for bank, some, heard in shares)
        return {note: copy for part in parts for note, copy in part.items()}

    def _shares(
        self, wanted: Mapping[DistinctNote, int], progress: Progress | None
    ) -> Iterator[tuple[FontBank, Mapping[DistinctNote, int], Progress | None]]:
        """The notes of each source, and who hears how far they are."""
        before = 0
        for source, some in _by_font(wanted).items():
            first, share = before / len(wanted), len(some) / len(wanted)
            yield self._of(source), some, _share_of(progress, first, share)
            before += len(some)


def source_of(soundfont: Soundfont, source: int) -> Soundfont:
    """Whose a preset's `source` is."""
    if source < 0:
        return own_soundfont()
    return soundfont.others[source - 1] if source else soundfont


def _by_font(wanted: Mapping[DistinctNote, int]) -> dict[int, dict[DistinctNote, int]]:
    """The notes of each source."""
    parts: dict[int, dict[DistinctNote, int]] = {}
    for note, count in wanted.items():
        parts.setdefault(note.preset.source, {})[note] = count
    return parts


def _share_of(progress: Progress | None, first: float, share: float) -> Progress | None:
    if progress is None:
        return None
    return lambda done, what: progress(first + share * done, what)


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
