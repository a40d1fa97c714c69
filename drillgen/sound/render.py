"""The front door: from performances to audio files."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import repeat
from pathlib import Path

import numpy as np

from drillgen.performance import Performance
from drillgen.score import PartName
from drillgen.sound.arrangement import Sounding, gathered, prepared
from drillgen.sound.bank import Bank
from drillgen.sound.errors import SoundError
from drillgen.sound.library import library
from drillgen.sound.loudness import LoudnessMeter, integrated
from drillgen.sound.mix import BLOCK, mixed
from drillgen.sound.peaks import Limiter, TruePeakMeter, decibels
from drillgen.sound.soundfonts import Soundfont
from drillgen.sound.strokes import sample_at
from drillgen.sound.synth import RATE, Samples
from drillgen.sound.tape import Tape
from drillgen.sound.wavfile import writing
from drillgen.sound.workers import Progress

TARGET_LUFS = -16.0
CEILING_DBTP = -1.0
# The limiter is a safety.  Where it would have to take more than this, everything is made quieter.
_MOST_LIMITING = 8.0  # dB
_NOTES, _MIXING = 0.4, 0.8  # of the progress, when the notes are ready and when the mix is


@dataclass(frozen=True, slots=True)
class MixRequest:
    """A file to write: some of the parts together."""

    name: str
    parts: frozenset[PartName]
    path: Path
    measured: bool = True  # whether the gain is set by it; not so for a part alone


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


def prepare_notes(
    performances: Sequence[Performance],
    soundfont: Soundfont,
    jobs: int | None = None,
    progress: Progress | None = None,
) -> tuple[str, ...]:
    """Render what several performances need into the cache, in one go.  Returns warnings."""
    with Bank(soundfont, jobs) as bank:
        return prepared(performances, bank, progress)


def render(
    performance: Performance,
    mixes: Sequence[MixRequest],
    *,
    soundfont: Soundfont,
    room: str = "small",
    target_lufs: float = TARGET_LUFS,
    ceiling_dbtp: float = CEILING_DBTP,
    progress: Progress | None = None,
    jobs: int | None = None,
) -> RenderReport:
    """Write a performance's mixes as WAV files: 44.1 kHz, 16 bits, round(seconds * 44100) samples.

    All mixes get the same gain, by which they have together a loudness of `target_lufs`, so that
    the band is equally loud in each.  Peaks above `ceiling_dbtp` are limited.  The same input
    gives the same bytes.

    Raises:
        SoundError: no usable FluidSynth or soundfont, a preset missing, or a file not writable.
    """
    if not mixes:
        raise SoundError("No mix was asked for.")
    report = progress or _unheard
    length = sample_at(performance.seconds)
    with Bank(soundfont, jobs) as bank, ExitStack() as stack:
        sounding = gathered(performance, bank, _part_of(report, 0.0, _NOTES))
        pool = stack.enter_context(ThreadPoolExecutor(jobs))
        desk = _Desk(sounding, mixes, length, room)
        for tape in desk.tapes:
            stack.enter_context(tape)
        try:
            desk.record(pool, _part_of(report, _NOTES, _MIXING))
        except OSError as error:
            said = (error.strerror or str(error)).lower()
            raise SoundError(f"{mixes[0].path.parent} cannot be written to: {said}.") from error
        gain, warnings = desk.gain(target_lufs, ceiling_dbtp)
        writers = [(request, gain, ceiling_dbtp) for request in mixes]
        reports = []
        for made in pool.map(lambda task: desk.write(*task), writers):
            reports.append(made)
            report(_MIXING + (1 - _MIXING) * len(reports) / len(mixes), "Writing files")
    return RenderReport(tuple(reports), gain, (*sounding.warnings, *warnings), library().version)


def _unheard(done: float, what: str) -> None:
    """Progress that nobody asked for."""


def _part_of(report: Progress, first: float, last: float) -> Progress:
    return lambda done, what: report(first + (last - first) * done, what)


class _Desk:
    """The mixing desk: groups of parts on tapes, from which the mixes are made.

    Parts that are in the same mixes need not be kept apart: they make one group.
    """

    def __init__(
        self, sounding: Sounding, mixes: Sequence[MixRequest], length: int, room: str
    ) -> None:
        self._mixes, self._length = mixes, length
        groups: dict[tuple[bool, ...], list[PartName]] = {}
        for part in sounding.parts:
            membership = tuple(part in mix.parts for mix in mixes)
            if any(membership):
                groups.setdefault(membership, []).append(part)
        self._members = list(groups)
        self._streams = [mixed(sounding.notes(parts), length, room) for parts in groups.values()]
        self.tapes = [Tape(mixes[0].path.parent) for _ in groups]
        self._loudness = [LoudnessMeter(RATE) for _ in mixes]
        self._peaks = [TruePeakMeter() for _ in mixes]

    def record(self, pool: ThreadPoolExecutor, progress: Progress) -> None:
        """Mix every group onto its tape, and measure every mix."""
        blocks = -(-self._length // BLOCK)
        for number in range(blocks):
            groups = list(pool.map(next, self._streams))
            list(pool.map(self._measure, range(len(self._mixes)), repeat(groups)))
            for tape, block in zip(self.tapes, groups, strict=True):
                tape.record(block)
            progress((number + 1) / blocks, "Mixing")

    def _measure(self, index: int, groups: Sequence[Samples]) -> None:
        block = self._sum(index, groups)
        self._loudness[index].feed(block)
        self._peaks[index].feed(block)

    def gain(self, target: float, ceiling: float) -> tuple[float, tuple[str, ...]]:
        """The gain in dB that brings all mixes together to the target, or as near as peaks let."""
        measured = [index for index, mix in enumerate(self._mixes) if mix.measured]
        loudness = integrated(self._loudness[index] for index in measured)
        if math.isinf(loudness):
            return 0.0, ()
        gain = target - loudness
        highest = max(decibels(self._peaks[index].peak()) for index in measured)
        over = highest + gain - ceiling - _MOST_LIMITING
        if over <= 0:
            return gain, ()
        return gain - over, (
            f"The peaks are so high that everything is {over:.1f} dB quieter than it should be.",
        )

    def write(self, request: MixRequest, gain: float, ceiling: float) -> MixReport:
        """Write one mix; its loudness and peak are those of what is in the file."""
        index = self._mixes.index(request)
        peak = decibels(self._peaks[index].peak()) + gain
        loudness = integrated([self._loudness[index]], gain)
        with writing(request.path) as file:
            if peak <= ceiling:
                for block in self._play(index, gain):
                    file.write(block)
            else:
                loud, peaks = LoudnessMeter(RATE), TruePeakMeter()
                for block in _limited(self._play(index, gain), ceiling):
                    file.write(block)
                    loud.feed(block)
                    peaks.feed(block)
                loudness, peak = integrated([loud]), decibels(peaks.peak())
        return MixReport(
            request.name, request.path, loudness, peak, self._length / RATE, self._length
        )

    def _play(self, index: int, gain: float) -> Iterator[Samples]:
        factor = np.float32(10 ** (gain / 20))
        if not self.tapes:  # none of the parts sounds
            yield np.zeros((2, self._length), np.float32)
        for groups in zip(*(tape.play() for tape in self.tapes), strict=True):
            yield self._sum(index, groups) * factor

    def _sum(self, index: int, groups: Sequence[Samples]) -> Samples:
        own = [block for block, member in zip(groups, self._members, strict=True) if member[index]]
        return sum(own[1:], start=own[0]) if own else np.zeros((2, 1), np.float32)


def _limited(blocks: Iterator[Samples], ceiling: float) -> Iterator[Samples]:
    """Blocks with their peaks limited, a little below the ceiling, for the dither's sake."""
    limiter = Limiter(10 ** ((ceiling - 0.1) / 20))
    for block in blocks:
        yield limiter.feed(block)
    yield limiter.flush()
