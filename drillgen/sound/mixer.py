"""The mix: what is asked for, each part added in its place, and the mixes written."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import IO, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from drillgen.disk import read_at, write_at
from drillgen.score import PartName
from drillgen.sound.fluidsynth import HOP, RATE, Closing, Progress, Samples
from drillgen.sound.levels import YIELDING, Ducking
from drillgen.sound.loudness import Measured
from drillgen.sound.on_disk import Frames, WavWriter, framed
from drillgen.sound.release import choke_fall, curve, tail
from drillgen.sound.reverb import Reverb

# What is asked of a rendering, and what it reports.


@dataclass(frozen=True, slots=True)
class MixRequest:
    """A file to write: some of the parts together."""

    name: str
    parts: frozenset[PartName]
    path: Path
    measured: bool = True  # whether the gain is set by it; not so for a part alone
    # Parts that stand elsewhere than in the band, from -1 (left) to 1 (right).
    sides: Mapping[PartName, float] | None = None
    mono: bool = False  # the same on both sides, for one loudspeaker


@dataclass(frozen=True, slots=True)
class MixReport:
    """A file as it was written."""

    name: str
    path: Path
    lufs: float  # integrated, ITU-R BS.1770; -inf if it is silent
    true_peak_db: float  # dBTP
    seconds: float
    samples: int


@dataclass(frozen=True, slots=True)
class RenderReport:
    """What was made of a performance."""

    mixes: tuple[MixReport, ...]
    gain_db: float  # of all mixes alike, against the parts' own levels
    warnings: tuple[str, ...]
    library_version: str
    sample_rate: int = RATE


def split(parts: Iterable[PartName]) -> dict[PartName, float]:
    """Sides for a mix with the band on the left, and the line and its first note on the right."""
    return {part: 1.0 if part in ("line", "cue") else -1.0 for part in parts}


# Adding note copies up, block by block: memory does not grow with the track.

# Samples, 1.5 s: a block and its notes stay in the processor's cache.
BLOCK = 15 * HOP
_FADE = RATE // 50  # samples: what still sounds where the track ends is faded out over this


class PlacedSample(NamedTuple):
    """A note copy in its place."""

    start: int  # sample of the track; before 0 if it rings in from a loop's end
    copy: Samples  # (1, n) or (2, n)
    off: int | None  # samples until it begins to fall; None: the copy has its own end
    rate: float  # dB a second of that fall
    cut: int | None  # samples until it is choked
    left: float  # gain
    right: float  # gain
    heard: int | None = None  # samples after which nothing of it is heard; None: not known

    @property
    def sounding(self) -> int:
        """How many samples it sounds."""
        ends: list[int] = [self.copy.shape[1]]
        if self.heard is not None:
            ends.append(self.heard)
        if self.off is not None:
            ends.append(self.off + tail(self.rate))
        if self.cut is not None:
            ends.append(self.cut + tail(choke_fall()))
        return max(min(ends), 0)


class _MixedNote(NamedTuple):
    """A note, ready to be added: its gains of shape (2, 1) and its falls as (first, factors)."""

    start: int
    length: int
    copy: Samples
    gains: Samples
    falls: tuple[tuple[int, Samples], ...]

    def add(self, block: Samples, begin: int, scratch: Samples) -> None:
        """Add what falls into a block that begins at the track's sample `begin`."""
        first = max(begin - self.start, 0)
        last = min(begin + block.shape[1] - self.start, self.length)
        sound = scratch[:, : last - first]
        np.multiply(self.copy[:, first:last], self.gains, out=sound)
        for since, factors in self.falls:
            if since < last:
                at = max(since, first)
                sound[:, at - first :] *= factors[at - since : last - since]
        place = block[:, self.start + first - begin : self.start + last - begin]
        np.add(place, sound, out=place)


class Adding(Protocol):
    """Something that sounds."""

    def sounds(self, begin: int, end: int) -> bool:
        """Whether anything may be heard from a sample to another."""

    def add(self, block: Samples, begin: int, scratch: Samples) -> None:
        """Add the samples from `begin` on to a block of shape (2, n); `scratch` is as large."""


class Bus:
    """Notes that are heard together.  Any stretch of their sum can be asked for, by any thread."""

    def __init__(self, notes: Sequence[PlacedSample]) -> None:
        self._sounds = [_ready(note) for note in notes]
        self._starts = np.array([sound.start for sound in self._sounds], np.int64)
        self._ends = self._starts + np.array([sound.length for sound in self._sounds], np.int64)

    def sounds(self, begin: int, end: int) -> bool:
        """Whether a note sounds from a sample to another."""
        return bool(self._within(begin, end).any())

    def add(self, block: Samples, begin: int, scratch: Samples) -> None:
        """Add the samples from `begin` on to a block of shape (2, n); `scratch` is as large."""
        for index in np.flatnonzero(self._within(begin, begin + block.shape[1])).tolist():
            self._sounds[index].add(block, begin, scratch)

    def _within(self, begin: int, end: int) -> NDArray[np.bool_]:
        return (self._starts < end) & (self._ends > begin)


def _ready(note: PlacedSample) -> _MixedNote:
    falls = []
    if note.off is not None:
        falls.append((note.off, curve(note.rate)))
    if note.cut is not None:
        falls.append((note.cut, curve(choke_fall())))
    gains = np.array([[note.left], [note.right]], np.float32)
    return _MixedNote(note.start, note.sounding, note.copy, gains, tuple(falls))


def sides(level: float, pan: float) -> tuple[float, float]:
    """Gains of left and right for a level in dB and a pan from -1 (left) to 1 (right).

    Equal power: a sound in the middle has gain 1 on both sides, at one side 1.41 and 0.
    """
    angle = (min(max(pan, -1.0), 1.0) + 1) * math.pi / 4
    gain = math.sqrt(2) * 10 ** (level / 20)
    return gain * math.cos(angle), gain * math.sin(angle)


def mixed(notes: Sequence[PlacedSample], length: int, room: str | float) -> Iterator[Samples]:
    """The sum of `notes` in a room: blocks of shape (2, BLOCK).

    The blocks make exactly `length` samples; the last one is shorter.  Each is the caller's own.
    """
    begin = -HOP
    for block in stream(Bus(notes), room, 0, length):
        if begin < 0:
            begin = 0
            continue
        count = min(BLOCK, length - begin)
        block = np.zeros((2, count), np.float32) if block is None else block
        fade(block, length - begin)
        yield block
        begin += count


def stream(bus: Adding, room: str | float, begin: int, end: int) -> Iterator[Samples | None]:
    """A bus in a room from `begin`, a multiple of HOP, to `end`: blocks of shape (2, <= BLOCK).

    A lead of HOP samples before `begin` comes first.  What rings in from before is worked out
    anew, so that a track can be mixed from several places at once, always to the same samples.
    None is a block of silence: there is neither a note nor what the room remembers of one.
    """
    acoustics = Reverb(room)
    scratch = np.empty((2, BLOCK), np.float32)
    before = acoustics.memory + HOP
    places = [(begin - before, begin)] + [
        (first, min(first + BLOCK, end)) for first in range(begin, end, BLOCK)
    ]
    for first, last in places:
        if not bus.sounds(first - acoustics.memory, last):
            yield None
            continue
        block = np.zeros((2, last - first), np.float32)
        for at in range(0, last - first, BLOCK):
            bus.add(block[:, at : at + BLOCK], first + at, scratch)
        block = acoustics(block)
        yield block if first >= begin else block[:, -HOP:]


def fade(block: Samples, to_end: int) -> None:
    """Fade the end of a track that ends `to_end` samples from the start of this block."""
    count = block.shape[1]
    first = max(to_end - _FADE, 0)
    if first < count:
        factors = (to_end - np.arange(first, count, dtype=np.float32)) / _FADE
        block[:, first:] *= np.maximum(factors, 0)


# Which parts are heard where: groups, and how they go into each mix.

Place = float | None  # where a group stands in a mix; None: where its parts stand in the band


@dataclass(frozen=True, slots=True)
class Group:
    """Parts that need not be kept apart."""

    parts: tuple[PartName, ...]
    mixes: tuple[tuple[int, Place], ...]  # the mixes that it is in, and where it stands there
    yields: bool = False  # it steps back under a spoken word


def grouped(parts: Iterable[PartName], mixes: Sequence[MixRequest]) -> tuple[Group, ...]:
    """The fewest groups by which all mixes can be made."""
    parts = list(parts)
    members: dict[tuple[tuple[tuple[int, Place], ...], bool], list[PartName]] = {}
    for part in parts:
        found = tuple(
            (index, (mix.sides or {}).get(part))
            for index, mix in enumerate(mixes)
            if part in mix.parts
        )
        if found:
            yields = "spoken" in parts and part in YIELDING
            members.setdefault((found, yields), []).append(part)
    return tuple(Group(tuple(own), *found) for found, own in members.items())


def summed(sounds: Sequence[Samples], places: Sequence[Place], mono: bool, out: Samples) -> Samples:
    """Add up what is in a mix into `out`, shape (2, n)."""
    placed = [
        sound if place is None else _moved(sound, place)
        for sound, place in zip(sounds, places, strict=True)
    ]
    if len(placed) < 2:
        np.copyto(out, placed[0] if placed else 0)
    for number, sound in enumerate(placed[1:]):
        np.add(out if number else placed[0], sound, out=out)
    if mono:
        out[:] = (out[0] + out[1]) / 2
    return out


def _moved(sound: Samples, place: float) -> Samples:
    """Both sides together, at another place."""
    middle = (sound[0] + sound[1]) / 2
    return np.asarray(np.array(sides(0.0, place), np.float32)[:, None] * middle)


# Sound set aside between measuring and writing: in memory while short, else on disk.

_IN_MEMORY = 112 << 20  # bytes: five minutes of one stereo group


class Tape(Closing):
    """Some stereo tracks side by side, all as long.  Use it in a `with` block, from any thread."""

    def __init__(self, folder: Path, tracks: int, length: int) -> None:
        """`folder`: where a long tape goes, as a file without a name."""
        self._length = length
        self._heard = np.zeros((tracks, -(-length // BLOCK)), np.bool_)
        self._sound: Samples | None = None
        self._file: IO[bytes] | None = None
        if tracks * length * 8 <= _IN_MEMORY:
            self._sound = np.zeros((tracks, 2, length), np.float32)
        else:
            # Closed on exit.
            self._file = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115

    def close(self) -> None:
        """Forget what was recorded."""
        self._sound = None
        if self._file is not None:
            self._file.close()

    def record(self, track: int, begin: int, block: Samples) -> None:
        """Put a block of shape (2, n) into its place: from a multiple of BLOCK to the next at most.
        What is not recorded is silence.  Raises OSError."""
        self._heard[track, begin // BLOCK] = True
        if self._sound is not None:
            self._sound[track, :, begin : begin + block.shape[1]] = block
            return
        assert self._file is not None
        for side in (0, 1):
            write_at(
                self._file, np.ascontiguousarray(block[side]).data, self._at(track, side, begin)
            )

    def play(self, track: int, begin: int, end: int) -> Samples | None:
        """What lies from `begin` to `end`, within the tape; it must not be changed.  None is
        silence."""
        if not self._heard[track, begin // BLOCK : -(-end // BLOCK)].any():
            return None
        if self._sound is not None:
            return self._sound[track, :, begin:end]
        assert self._file is not None
        block = np.zeros((2, end - begin), np.float32)
        for side in (0, 1):
            read_at(self._file, block[side].data, self._at(track, side, begin))
        return block

    def _at(self, track: int, side: int, begin: int) -> int:
        return ((2 * track + side) * self._length + begin) * 4


# The mixing desk: groups of parts on a tape, from which the mixes are made.
#
# A track is cut into stretches, which threads mix, measure and write at once. The stretches are
# always the same, so the samples do not depend on how many threads there are.

STRETCH = 8 * BLOCK  # samples, 12 s

# The sum of some parts from a sample to another: a lead of HOP samples, then blocks of BLOCK.
Source = Callable[[Sequence[PartName], int, int], Iterator[Samples | None]]
_Sounds = Sequence[Samples | None]  # a block of every group; None is silence


class Desk(Closing):
    """Use it in a `with` block."""

    def __init__(
        self,
        parts: Sequence[PartName],
        mixes: Sequence[MixRequest],
        length: int,
        around: bool,
        ducking: Ducking,
    ) -> None:
        """`around`: the track is a loop, so that its end is not faded."""
        self._mixes, self.length, self._around = mixes, length, around
        self._ducking = ducking
        self._groups: tuple[Group, ...] = grouped(parts, mixes)
        self._tape = Tape(mixes[0].path.parent, len(self._groups), length)
        self.measured = [
            Measured(length, partial(self._play, index), around) for index in range(len(mixes))
        ]

    def close(self) -> None:
        """Forget what was recorded."""
        self._tape.close()

    def record(
        self, source: Source, stretch: int, pool: ThreadPoolExecutor, progress: Progress
    ) -> None:
        """Mix every group onto the tape, and measure every mix."""
        firsts = range(0, self.length, stretch)
        work = partial(self._stretch, source, stretch)
        for number, _ in enumerate(pool.map(work, firsts), 1):
            progress(number / len(firsts), "Mixing")

    def _stretch(self, source: Source, stretch: int, first: int) -> None:
        end = min(first + stretch, self.length)
        streams = [source(group.parts, first, end) for group in self._groups]
        lines = [np.zeros((2, HOP + BLOCK), np.float32) for _ in self._mixes]
        leads = [next(stream) for stream in streams]
        for index, line in enumerate(lines):
            self._sum(index, first - HOP, leads, line[:, :HOP])
        for begin in range(first, end, BLOCK):
            sounds = [next(stream) for stream in streams]
            for track, block in enumerate(sounds):
                if block is not None:
                    if not self._around:
                        fade(block, self.length - begin)
                    self._tape.record(track, begin, block)
            self._measure(begin, min(BLOCK, end - begin), leads, sounds, lines)
            leads = sounds

    def _measure(
        self, begin: int, count: int, before: _Sounds, sounds: _Sounds, lines: Sequence[Samples]
    ) -> None:
        """Measure a block in every mix; `lines`: their last HOP, and room for the block.  Where
        mixes have the same in them, as a play-along where the line rests, one stands for them."""
        done: dict[object, int] = {}
        for index, line in enumerate(lines):
            heard = self._in(index, before), self._in(index, sounds)
            low = self._yields(index, begin - HOP, HOP + count)
            alike = done.setdefault((heard, low), index)
            if alike == index:
                self._sum(index, begin, sounds, line[:, HOP : HOP + count])
                self.measured[index].take(begin, line[:, : HOP + count])
                line[:, :HOP] = line[:, count : HOP + count]
            else:
                self.measured[index].take_from(self.measured[alike], begin, count)
                line[:, :HOP] = lines[alike][:, :HOP]

    def write(self, writers: Sequence[WavWriter], factor: float, first: int) -> None:
        """Write a stretch of every mix: their files, the gain as a factor, the first sample."""
        for begin in range(first, min(first + STRETCH, self.length), BLOCK):
            end = min(begin + BLOCK, self.length)
            tracks = self._played(begin, end)
            done: dict[object, Frames] = {}
            for index, (writer, measured) in enumerate(zip(writers, self.measured, strict=True)):
                low = self._yields(index, begin, end - begin)
                alike = self._in(index, tracks), low, measured.gains(begin, end)
                if alike not in done:
                    out = np.empty((2, end - begin), np.float32)
                    sound = self._sum(index, begin, tracks, out)
                    done[alike] = framed(begin, measured.limited(sound, begin), factor)
                writer.write(begin, done[alike])

    def stretches(self) -> range:
        """The first samples of what `write` writes at a time."""
        return range(0, self.length, STRETCH)

    def report(self, index: int, gain: float) -> MixReport:
        """What is in the file of a mix."""
        request, found = self._mixes[index], self.measured[index]
        loudness, peak = found.final(gain)
        seconds = self.length / RATE
        return MixReport(request.name, request.path, loudness, peak, seconds, self.length)

    def _play(self, index: int, begin: int, end: int) -> Samples:
        """A mix as it was recorded, without its gain."""
        out = np.empty((2, end - begin), np.float32)
        return self._sum(index, begin, self._played(begin, end), out)

    def _played(self, begin: int, end: int) -> _Sounds:
        return [self._tape.play(track, begin, end) for track in range(len(self._groups))]

    def _sum(self, index: int, begin: int, sounds: _Sounds, out: Samples) -> Samples:
        places, mono = self._in(index, sounds)
        low = self._low(index, begin, out.shape[1])
        chosen = [
            sound * low if low is not None and self._groups[track].yields else sound
            for track, _ in places
            if (sound := sounds[track]) is not None
        ]
        return summed(chosen, [place for _, place in places], mono, out)

    def _yields(self, index: int, begin: int, count: int) -> bool:
        """Whether anything in a mix stands back there under its words."""
        return "spoken" in self._mixes[index].parts and self._ducking.moves(begin, count)

    def _low(self, index: int, begin: int, count: int) -> Samples | None:
        """The gain of what yields to a mix's words; None where nothing does."""
        spoken = "spoken" in self._mixes[index].parts
        return self._ducking.factors(begin, count) if spoken else None

    def _in(self, index: int, sounds: _Sounds) -> tuple[tuple[tuple[int, Place], ...], bool]:
        """What is heard in a mix: which groups, where each stands, and whether on both sides
        alike."""
        heard = (
            (track, place)
            for track, (sound, group) in enumerate(zip(sounds, self._groups, strict=True))
            for mix, place in group.mixes
            if mix == index and sound is not None
        )
        return tuple(heard), self._mixes[index].mono
