"""Adding note copies up, block by block: memory does not grow with the track."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from drillgen.sound.release import CHOKE, fall, tail
from drillgen.sound.room import Room
from drillgen.sound.synth import RATE, Samples

BLOCK = 3 << 15  # samples, 2.2 s: with a small room's response a length the FFT is quick at
_FADE = RATE // 50  # samples: what still sounds where the track ends is faded out over this


@dataclass(frozen=True, slots=True)
class Placed:
    """A note copy in its place."""

    start: int  # sample of the track
    copy: Samples  # (1, n) or (2, n)
    off: int | None  # samples until it begins to fall; None: the copy has its own end
    rate: float  # dB a second of that fall
    cut: int | None  # samples until it is choked
    left: float  # gain
    right: float  # gain

    @property
    def count(self) -> int:
        """How many samples it sounds."""
        ends: list[int] = [self.copy.shape[1]]
        if self.off is not None:
            ends.append(self.off + tail(self.rate))
        if self.cut is not None:
            ends.append(self.cut + tail(CHOKE))
        return min(ends)

    def sound(self) -> Samples:
        """The note as it is heard, shape (2, count)."""
        count = self.count
        out = np.empty((2, count), np.float32)
        np.multiply(self.copy[0, :count], np.float32(self.left), out=out[0])
        np.multiply(self.copy[-1, :count], np.float32(self.right), out=out[1])
        if self.off is not None and self.off < count:
            out[:, self.off :] *= fall(self.rate, count - self.off)
        if self.cut is not None and self.cut < count:
            out[:, self.cut :] *= fall(CHOKE, count - self.cut)
        return out


def sides(level: float, pan: float) -> tuple[float, float]:
    """Gains of left and right for a level in dB and a pan from -1 (left) to 1 (right).

    Equal power: a sound in the middle has gain 1 on both sides, at one side 1.41 and 0.
    """
    angle = (min(max(pan, -1.0), 1.0) + 1) * math.pi / 4
    gain = math.sqrt(2) * 10 ** (level / 20)
    return gain * math.cos(angle), gain * math.sin(angle)


def mixed(notes: Sequence[Placed], length: int, room: str) -> Iterator[Samples]:
    """The sum of `notes`, in order of their starts, in a room: blocks of shape (2, BLOCK).

    The blocks make exactly `length` samples; the last one is shorter.  Each is the caller's own.
    """
    acoustics = Room(room, BLOCK)
    sounding: list[tuple[int, Samples]] = []  # sample of the track, sound
    upcoming = 0
    for begin in range(0, length, BLOCK):
        end = min(begin + BLOCK, length)
        while upcoming < len(notes) and notes[upcoming].start < end:
            sounding.append((notes[upcoming].start, notes[upcoming].sound()))
            upcoming += 1
        block = np.zeros((2, end - begin), np.float32)
        for start, sound in sounding:
            _add(block, sound, start - begin)
        sounding = [(start, sound) for start, sound in sounding if start + sound.shape[1] > end]
        out = acoustics(block)
        _fade(out, length - begin)
        yield out


def _add(block: Samples, sound: Samples, at: int) -> None:
    """Add to the block what of the sound falls into it; `at` may be negative."""
    first, last = max(at, 0), min(at + sound.shape[1], block.shape[1])
    if first < last:
        block[:, first:last] += sound[:, first - at : last - at]


def _fade(block: Samples, to_end: int) -> None:
    """Fade the end of the track, `to_end` samples from the start of this block."""
    count = block.shape[1]
    first = max(to_end - _FADE, 0)
    if first < count:
        block[:, first:] *= (to_end - np.arange(first, count, dtype=np.float32)) / _FADE
