"""Adding note copies up, block by block: memory does not grow with the track."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple, Protocol

import numpy as np

from drillgen.sound.release import choke_fall, curve, tail
from drillgen.sound.room import Room
from drillgen.sound.synth import HOP, RATE, Samples

# Samples, 1.5 s: a block and its notes stay in the processor's cache.
BLOCK = 15 * HOP
_FADE = RATE // 50  # samples: what still sounds where the track ends is faded out over this


class Placed(NamedTuple):
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


class _Sound(NamedTuple):
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

    def add(self, block: Samples, begin: int, scratch: Samples) -> None:
        """Add the samples from `begin` on to a block of shape (2, n); `scratch` is as large."""


class Bus:
    """Notes that are heard together.  Any stretch of their sum can be asked for, by any thread."""

    def __init__(self, notes: Sequence[Placed]) -> None:
        self._sounds = [_ready(note) for note in notes]
        self._starts = np.array([sound.start for sound in self._sounds], np.int64)
        self._ends = self._starts + np.array([sound.length for sound in self._sounds], np.int64)

    def add(self, block: Samples, begin: int, scratch: Samples) -> None:
        """Add the samples from `begin` on to a block of shape (2, n); `scratch` is as large."""
        within = (self._starts < begin + block.shape[1]) & (self._ends > begin)
        for index in np.flatnonzero(within).tolist():
            self._sounds[index].add(block, begin, scratch)


def _ready(note: Placed) -> _Sound:
    falls = []
    if note.off is not None:
        falls.append((note.off, curve(note.rate)))
    if note.cut is not None:
        falls.append((note.cut, curve(choke_fall())))
    gains = np.array([[note.left], [note.right]], np.float32)
    return _Sound(note.start, note.sounding, note.copy, gains, tuple(falls))


def sides(level: float, pan: float) -> tuple[float, float]:
    """Gains of left and right for a level in dB and a pan from -1 (left) to 1 (right).

    Equal power: a sound in the middle has gain 1 on both sides, at one side 1.41 and 0.
    """
    angle = (min(max(pan, -1.0), 1.0) + 1) * math.pi / 4
    gain = math.sqrt(2) * 10 ** (level / 20)
    return gain * math.cos(angle), gain * math.sin(angle)


def mixed(notes: Sequence[Placed], length: int, room: str | float) -> Iterator[Samples]:
    """The sum of `notes` in a room: blocks of shape (2, BLOCK).

    The blocks make exactly `length` samples; the last one is shorter.  Each is the caller's own.
    """
    begin = -HOP
    for block in stream(Bus(notes), room, 0, length):
        fade(block, length - begin)
        if begin >= 0:
            yield block
        begin += block.shape[1]


def stream(bus: Adding, room: str | float, begin: int, end: int) -> Iterator[Samples]:
    """A bus in a room from `begin`, a multiple of HOP, to `end`: blocks of shape (2, <= BLOCK).

    A lead of HOP samples before `begin` comes first.  What rings in from before is worked out
    anew, so that a track can be mixed from several places at once, always to the same samples.
    """
    acoustics = Room(room)
    scratch = np.empty((2, BLOCK), np.float32)
    before = acoustics.memory + HOP
    places = [(begin - before, begin)] + [
        (first, min(first + BLOCK, end)) for first in range(begin, end, BLOCK)
    ]
    for first, last in places:
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
