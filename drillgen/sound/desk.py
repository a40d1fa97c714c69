"""The mixing desk: groups of parts on a tape, from which the mixes are made.

A track is cut into stretches, which threads mix, measure and write at once.  The stretches are
always the same, so the samples do not depend on how many threads there are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import numpy as np

from drillgen.score import PartName
from drillgen.sound.closing import Closing
from drillgen.sound.console import Group, grouped, summed
from drillgen.sound.measured import Measured
from drillgen.sound.mix import BLOCK, fade
from drillgen.sound.requests import MixReport, MixRequest
from drillgen.sound.synth import HOP, RATE, Samples
from drillgen.sound.tape import Tape
from drillgen.sound.wavfile import WavWriter
from drillgen.sound.workers import Progress

STRETCH = 8 * BLOCK  # samples, 12 s

# The sum of some parts from a sample to another: a lead of HOP samples, then blocks of BLOCK.
Source = Callable[[Sequence[PartName], int, int], Iterator[Samples]]


class Desk(Closing):
    """Use it in a `with` block."""

    def __init__(
        self, parts: Sequence[PartName], mixes: Sequence[MixRequest], length: int, around: bool
    ) -> None:
        """`around`: the track is a loop, so that its end is not faded."""
        self._mixes, self.length, self._around = mixes, length, around
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
        begin = first - HOP
        while begin < end:
            count = HOP if begin < first else min(BLOCK, end - begin)
            sounds = [next(stream) for stream in streams]
            for track, block in enumerate(sounds if begin >= first else ()):
                if not self._around:
                    fade(block, self.length - begin)
                self._tape.record(track, begin, block)
            for index, line in enumerate(lines):
                self._sum(index, sounds, line[:, HOP : HOP + count])
                if begin >= first:
                    self.measured[index].take(begin, line[:, : HOP + count])
                line[:, :HOP] = line[:, count : HOP + count]
            begin += count

    def write(self, task: tuple[int, WavWriter, float, int]) -> None:
        """Write a stretch: the mix's number, its file, the gain as a factor, the first sample."""
        index, writer, factor, first = task
        for begin in range(first, min(first + STRETCH, self.length), BLOCK):
            end = min(begin + BLOCK, self.length)
            sound = self.measured[index].limited(self._play(index, begin, end), begin)
            writer.write(begin, sound, factor)

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
        own = [self._tape.play(track, begin, end) for track in range(len(self._groups))]
        return self._sum(index, own, out)

    def _sum(self, index: int, sounds: Sequence[Samples], out: Samples) -> Samples:
        own = [
            (sound, place)
            for sound, group in zip(sounds, self._groups, strict=True)
            for mix, place in group.mixes
            if mix == index
        ]
        chosen, places = [sound for sound, _ in own], [place for _, place in own]
        return summed(chosen, places, self._mixes[index].mono, out)
