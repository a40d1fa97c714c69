"""From performances to audio files; and through FluidSynth alone, to compare.

A performance straight through FluidSynth, to compare the note bank's work with.

FluidSynth begins and ends notes on its grid of 64 samples only, so events are moved to the nearest
place on it.  Each part has a synthesiser of its own; level and pan are applied as in the mix.

The front door: from performances to audio files.
"""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial

import numpy as np

from drillgen.bank.make import TAKES
from drillgen.errors import SoundError, reason
from drillgen.performance import Performance, Voice
from drillgen.score import PartName
from drillgen.sound.fluidsynth import (
    GRID,
    HOP,
    RATE,
    Closing,
    Progress,
    Samples,
    Synth,
    on_grid,
    part_of,
)
from drillgen.sound.levels import Ducking
from drillgen.sound.library import library
from drillgen.sound.loudness import Measured, loudness_of
from drillgen.sound.mixer import (
    STRETCH,
    Adding,
    Bus,
    Desk,
    MixReport,
    MixRequest,
    PlacedSample,
    RenderReport,
    Source,
    sides,
    split,
    stream,
)
from drillgen.sound.on_disk import writing
from drillgen.sound.release import passage, sample_at, takes
from drillgen.sound.reverb import Reverb
from drillgen.sound.samples import Bank, SoundfontPreset, source_of
from drillgen.sound.schedule import balanced, by_font, gathered, looped, prepared, resolved
from drillgen.sound.soundfonts import Soundfont
from drillgen.sound.speech import spoken

Event = tuple[int, bool, int, int, int]  # sample on the grid, note-on, key, velocity, take
_VOICES = 64  # more than sound at once in a part


class Parts(Closing):
    """Each part with a synthesiser of its own, started when it is first asked for."""

    def __init__(self, performance: Performance, soundfont: Soundfont) -> None:
        """Raises SoundError as `render` does."""
        self._performance, self._soundfont = performance, soundfont
        said = [resolved(voice, soundfont)[1] for voice in performance.voices]
        self.warnings = tuple(dict.fromkeys(warning for warning in said if warning))
        self._players: list[ReferencePart] = []

    def close(self) -> None:
        """Let the synthesisers go."""
        for player in self._players:
            player.close()

    def bus(self, parts: Sequence[PartName]) -> Adding:
        """Some parts together."""
        voices = [voice for voice in self._performance.voices if voice.part in parts]
        own = [
            ReferencePart(part, preset, self._soundfont)
            for voice in voices
            for part, preset in by_font(voice, self._soundfont)
        ]
        self._players += own
        words = spoken(self._performance) if "spoken" in parts else ()
        return Direct(own, Bus(words))


class Direct:
    """Parts that are played together, from the start on: like a `Bus`, but without going back."""

    def __init__(self, players: Sequence[ReferencePart], words: Bus) -> None:
        self._players, self._words = players, words

    def sounds(self, begin: int, end: int) -> bool:
        """They are asked for what comes in any case."""
        return True

    def add(self, block: Samples, begin: int, scratch: Samples) -> None:
        """Add the samples from `begin` on, which must follow the last ones; before 0 is silence."""
        self._words.add(block, begin, scratch)
        first = min(max(-begin, 0), block.shape[1])
        for player in self._players:
            block[:, first:] += player.read(block.shape[1] - first)


class ReferencePart(Closing):
    """One part, or what a preset plays of it, as FluidSynth itself plays it."""

    def __init__(self, voice: Voice, preset: SoundfontPreset, soundfont: Soundfont) -> None:
        self._percussion = preset.percussion
        self._preset = preset
        self._synth = Synth(source_of(soundfont, preset.source).path)
        self._synth.select(preset.percussion, preset.program)
        _warm(self._synth, voice)
        self._events = sorted(_events(voice), reverse=True)
        self._now = 0  # sample that FluidSynth has come to, on the grid
        self._rest: Samples = np.zeros((2, 0), np.float32)  # played, and not yet asked for
        self._sides = np.array([[side] for side in sides(voice.level, voice.stands)], np.float32)

    def close(self) -> None:
        """Let the synthesiser go."""
        self._synth.close()

    def read(self, count: int) -> Samples:
        """The next samples, shape (2, count)."""
        pieces = [self._rest]
        lacking = count - self._rest.shape[1]
        target = self._now + (on_grid(lacking) if lacking > 0 else 0)
        while self._now < target:
            self._play_events()
            until = min(self._events[-1][0], target) if self._events else target
            pieces.append(self._synth.read(until - self._now))
            self._now = until
        sound = np.concatenate(pieces, axis=1)
        self._rest = sound[:, count:]
        return sound[:, :count] * self._sides

    def _play_events(self) -> None:
        while self._events and self._events[-1][0] <= self._now:
            _, begins, key, velocity, take = self._events.pop()
            if begins:
                if self._preset.own:
                    place = self._preset.take(take).place
                    self._synth.select(self._percussion, *place)
                self._synth.on(self._percussion, key, velocity)
            else:
                self._synth.off(self._percussion, key)


def _place(seconds: float) -> int:
    return round(seconds * RATE / GRID) * GRID


def _events(voice: Voice) -> Iterator[Event]:
    """Note-offs sort before note-ons at the same sample; a note struck again has no second off."""
    following: dict[int, int] = {}
    ordered = sorted(voice.notes, key=lambda note: (note.start, note.key))
    turns = list(takes((note.key for note in ordered), TAKES))
    for note, take in reversed(list(zip(ordered, turns, strict=True))):
        start, end = _place(note.start), _place(note.start + note.duration)
        again = following.get(note.key)
        if again is None or end <= again:
            yield max(end, start + GRID), False, note.key, 0, 0
        else:
            yield again, False, note.key, 0, 0
        yield start, True, note.key, note.velocity, take
        following[note.key] = start


def _warm(synth: Synth, voice: Voice) -> None:
    """Have every voice of FluidSynth's sound once, for the reason given in `Synth.note`."""
    for number in range(_VOICES):
        if voice.notes:
            note = voice.notes[number % len(voice.notes)]
            synth.on(voice.percussion, note.key, note.velocity)
    synth.read(GRID)
    synth.clear()


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
    words: tuple[PlacedSample, ...] = ()


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
        reference: played by FluidSynth itself, note after note, not from the note bank, and no
            loop.

    Raises:
        SoundError: no usable FluidSynth or soundfont, a preset missing, or a file not writable.
    """
    report = progress or _unheard
    with ExitStack() as stack:
        bank = stack.enter_context(Bank(soundfont, jobs))
        notes = part_of(report, 0.0, _NOTES)
        if loop is not None or reference:  # as loud as in the whole track
            performance = balanced(performance, bank, notes)
        performance, length = passage(performance, loop)
        if reference:
            sound = _directly(stack.enter_context(Parts(performance, soundfont)), performance, room)
        else:
            sound = _from_notes(performance, bank, room, length if loop else None, notes)
        pool = stack.enter_context(ThreadPoolExecutor(jobs or os.cpu_count()))
        try:
            around = loop is not None
            ducking = _ducking(sound.words, length if around else 0)
            desk = stack.enter_context(Desk(sound.parts, mixes, length, around, ducking))
            desk.record(sound.source, sound.stretch, pool, part_of(report, _NOTES, _MIXING))
            peaks = tuple(pool.map(Measured.find_peak, desk.measured))
            gain, warnings = _gain(desk, mixes, peaks, target_lufs, ceiling_dbtp)
            if loop is None and _is_silent(performance, mixes, peaks):
                raise SoundError(
                    f"Nothing is heard: {soundfont.path} has silence for all that is played, or"
                    " samples that this FluidSynth cannot decode."
                )
            gain = _limited(desk, mixes, gain, target_lufs, ceiling_dbtp, pool)
            _write(desk, mixes, gain, pool, part_of(report, _MIXING, 1.0))
            reports = tuple(pool.map(lambda index: desk.report(index, gain), range(len(mixes))))
        except OSError as error:
            folder = mixes[0].path.parent
            raise SoundError(f"{folder} cannot be written to: {reason(error)}.") from error
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
    if performance.words:
        sounding.parts["spoken"] = spoken(performance)
    if around is not None:
        sounding = looped(sounding, around, Reverb(room).memory + HOP)
    buses: dict[tuple[PartName, ...], Bus] = {}
    lock = threading.Lock()

    def source(parts: Sequence[PartName], begin: int, end: int) -> Iterator[Samples | None]:
        with lock:
            if (own := tuple(parts)) not in buses:
                buses[own] = Bus(sounding.notes(own))
        return stream(buses[own], room, begin, end)

    words = sounding.parts.get("spoken", ())
    return _TrackSound(tuple(sounding.parts), source, STRETCH, sounding.warnings, words)


def _directly(parts: Parts, performance: Performance, room: str | float) -> _TrackSound:
    """By FluidSynth itself, which plays from the start to the end and no other way."""

    def source(own: Sequence[PartName], begin: int, end: int) -> Iterator[Samples | None]:
        return stream(parts.bus(own), room, begin, end)

    length = max(sample_at(performance.seconds), 1)
    return _TrackSound(performance.parts, source, length, parts.warnings, spoken(performance))


def _ducking(words: Sequence[PlacedSample], around: int) -> Ducking:
    """`around`: the samples of a loop, whose end must know of the words at its start."""
    starts = (
        (word.start + turn, word.copy.shape[1])
        for word in words
        for turn in ((0, around) if around else (0,))
    )
    return Ducking((start, start + count) for start, count in starts)


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
        work = partial(desk.write, writers, factor)
        for done, _ in enumerate(pool.map(work, firsts := desk.stretches()), 1):
            progress(done / len(firsts), "Writing files")


def _unheard(done: float, what: str) -> None:
    """Progress that nobody asked for."""
