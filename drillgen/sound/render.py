"""The front door: from performances to audio files."""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass

from drillgen.errors import SoundError
from drillgen.performance import Performance
from drillgen.score import PartName
from drillgen.sound.fluidsynth import HOP, Progress, Samples
from drillgen.sound.library import library
from drillgen.sound.limiter import Measured
from drillgen.sound.loudness import loudness_of
from drillgen.sound.mixer import (
    STRETCH,
    Bus,
    Desk,
    MixReport,
    MixRequest,
    RenderReport,
    Source,
    split,
    stream,
)
from drillgen.sound.reference import Parts
from drillgen.sound.reverb import Reverb
from drillgen.sound.samples import Bank
from drillgen.sound.schedule import balanced, gathered, looped, prepared
from drillgen.sound.soundfonts import Soundfont
from drillgen.sound.strokes import passage, sample_at
from drillgen.sound.wav import writing

__all__ = ["MixReport", "MixRequest", "RenderReport", "prepare_notes", "render", "split"]

TARGET_LUFS = -16.0
CEILING_DBTP = -1.0
# The limiter is a safety.  Where it would have to take more than this, everything is made quieter.
_MOST_LIMITING = 12.0  # dB
_NEAR_ENOUGH, _TURNS = 0.05, 4  # LU from the target; how often it is gone for anew
_NOTHING_HEARD = -120.0  # dB of full scale: less than half a step of 16 bits
_NOTES, _MIXING = 0.4, 0.8  # of the progress, when the notes are ready and when the mix is


@dataclass(frozen=True, slots=True)
class _TrackSound:
    """What a track is made of: its parts, and the sum of any of them."""

    parts: tuple[PartName, ...]
    source: Source
    stretch: int  # samples that are mixed in one go
    warnings: tuple[str, ...]


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
    room: str | float = "small",
    target_lufs: float = TARGET_LUFS,
    ceiling_dbtp: float = CEILING_DBTP,
    progress: Progress | None = None,
    jobs: int | None = None,
    loop: tuple[float, float] | None = None,
    reference: bool = False,
) -> RenderReport:
    """Write a performance's mixes as WAV files: 44.1 kHz, 16 bits, round(seconds * 44100) samples.

    All mixes get the same gain, by which those that are `measured` have together a loudness of
    `target_lufs`, so that the band is equally loud in each.  Peaks above `ceiling_dbtp` are
    limited.  The same input gives the same bytes, whatever `jobs` is.

    Args:
        room: off, small, medium, large, or the seconds in which it dies away.
        jobs: threads; None: one a core.
        loop: from and to in seconds.  The files hold just that and go round seamlessly: what rings
            beyond the end, and the room, is heard at the start.
        reference: played by FluidSynth itself, note after note, not from the note bank.

    Raises:
        SoundError: no usable FluidSynth or soundfont, a preset missing, or a file not writable.
    """
    if not mixes:
        raise SoundError("No mix was asked for.")
    if loop is not None and reference:
        raise SoundError("A reference rendering cannot be a loop.")
    report = progress or _unheard
    with ExitStack() as stack:
        bank = stack.enter_context(Bank(soundfont, jobs))
        notes = _part_of(report, 0.0, _NOTES)
        if loop is not None or reference:  # as loud as in the whole track
            performance = balanced(performance, bank, notes)
        performance, length = passage(performance, loop)
        if reference:
            sound = _directly(stack.enter_context(Parts(performance, soundfont)), performance, room)
        else:
            sound = _from_notes(performance, bank, room, length if loop else None, notes)
        pool = stack.enter_context(ThreadPoolExecutor(jobs or os.cpu_count()))
        try:
            desk = stack.enter_context(Desk(sound.parts, mixes, length, around=loop is not None))
            desk.record(sound.source, sound.stretch, pool, _part_of(report, _NOTES, _MIXING))
            peaks = tuple(pool.map(Measured.find_peak, desk.measured))
            gain, warnings = _gain(desk, mixes, peaks, target_lufs, ceiling_dbtp)
            if loop is None and _is_silent(performance, mixes, peaks):
                raise SoundError(
                    f"Nothing is heard: {soundfont.path} has silence for all that is played, or"
                    " samples that this FluidSynth cannot decode."
                )
            gain = _limited(desk, mixes, gain, target_lufs, ceiling_dbtp, pool)
            _write(desk, mixes, gain, pool, _part_of(report, _MIXING, 1.0))
            reports = tuple(pool.map(lambda index: desk.report(index, gain), range(len(mixes))))
        except OSError as error:
            said = (error.strerror or str(error)).lower()
            raise SoundError(f"{mixes[0].path.parent} cannot be written to: {said}.") from error
    return RenderReport(reports, gain, (*sound.warnings, *warnings), library().version)


def _from_notes(
    performance: Performance,
    bank: Bank,
    room: str | float,
    around: int | None,
    progress: Progress,
) -> _TrackSound:
    """From the note bank.  `around`: the samples of a loop."""
    sounding = gathered(performance, bank, progress, balance=around is None)
    if around is not None:
        sounding = looped(sounding, around, Reverb(room).memory + HOP)
    buses: dict[tuple[PartName, ...], Bus] = {}
    lock = threading.Lock()

    def source(parts: Sequence[PartName], begin: int, end: int) -> Iterator[Samples]:
        with lock:
            if (own := tuple(parts)) not in buses:
                buses[own] = Bus(sounding.notes(own))
        return stream(buses[own], room, begin, end)

    return _TrackSound(tuple(sounding.parts), source, STRETCH, sounding.warnings)


def _directly(parts: Parts, performance: Performance, room: str | float) -> _TrackSound:
    """By FluidSynth itself, which plays from the start to the end and no other way."""

    def source(own: Sequence[PartName], begin: int, end: int) -> Iterator[Samples]:
        return stream(parts.bus(own), room, begin, end)

    names = dict.fromkeys(voice.part for voice in performance.voices)
    return _TrackSound(tuple(names), source, max(sample_at(performance.seconds), 1), parts.warnings)


def _is_silent(
    performance: Performance, mixes: Sequence[MixRequest], peaks: Sequence[float]
) -> bool:
    """Whether somebody plays, and nothing of that is heard."""
    playing = {voice.part for voice in performance.voices if voice.notes}
    heard = [peak for mix, peak in zip(mixes, peaks, strict=True) if mix.parts & playing]
    return bool(heard) and max(heard) < _NOTHING_HEARD


def _gain(
    desk: Desk,
    mixes: Sequence[MixRequest],
    peaks: Sequence[float],
    target: float,
    ceiling: float,
) -> tuple[float, tuple[str, ...]]:
    """The gain in dB that brings all mixes together to the target, or as near as peaks let."""
    chosen = [number for number, mix in enumerate(mixes) if mix.measured]
    loudness = loudness_of((desk.measured[number].energies, HOP) for number in chosen)
    if math.isinf(loudness):
        return 0.0, ()
    gain = target - loudness
    over = max(peaks[number] for number in chosen) + gain - ceiling - _MOST_LIMITING
    if over <= 0:
        return gain, ()
    return gain - over, (
        f"The peaks are so high that everything is {over:.1f} dB quieter than it should be.",
    )


def _limited(
    desk: Desk,
    mixes: Sequence[MixRequest],
    gain: float,
    target: float,
    ceiling: float,
    pool: ThreadPoolExecutor,
) -> float:
    """Have peaks limited, and what that takes from the loudness given back.  Returns the gain."""
    chosen = [desk.measured[number] for number, mix in enumerate(mixes) if mix.measured]
    highest = gain + _MOST_LIMITING / 2
    for turn in range(_TURNS):
        list(pool.map(lambda mix: mix.limit(gain, ceiling), desk.measured))  # noqa: B023
        energies = list(pool.map(Measured.limited_energies, chosen))
        lacking = target - loudness_of(((each, HOP) for each in energies), gain)
        if turn == _TURNS - 1 or not _NEAR_ENOUGH < lacking < highest - gain:
            break
        gain += lacking
    return gain


def _write(
    desk: Desk,
    mixes: Sequence[MixRequest],
    gain: float,
    pool: ThreadPoolExecutor,
    progress: Progress,
) -> None:
    factor = 10 ** (gain / 20)
    with ExitStack() as files:
        writers = [files.enter_context(writing(mix.path, desk.length)) for mix in mixes]
        tasks = [
            (number, writer, factor, first)
            for number, writer in enumerate(writers)
            for first in desk.stretches()
        ]
        for done, _ in enumerate(pool.map(desk.write, tasks), 1):
            progress(done / len(tasks), "Writing files")


def _unheard(done: float, what: str) -> None:
    """Progress that nobody asked for."""


def _part_of(report: Progress, first: float, last: float) -> Progress:
    return lambda done, what: report(first + (last - first) * done, what)
