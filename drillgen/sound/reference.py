"""A performance straight through FluidSynth, to compare the note bank's work with.

FluidSynth begins and ends notes on its grid of 64 samples only, so events are moved to the nearest
place on it.  Each part has a synthesiser of its own; level and pan are applied as in the mix.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from drillgen.bank.make import TAKES
from drillgen.performance import Performance, Played, Voice
from drillgen.score import PartName
from drillgen.sound.fluidsynth import GRID, RATE, Closing, Samples, Synth, on_grid
from drillgen.sound.mixer import sides
from drillgen.sound.samples import source_of
from drillgen.sound.schedule import resolved
from drillgen.sound.soundfonts import Soundfont
from drillgen.sound.strokes import step_of, takes

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

    def bus(self, parts: Sequence[PartName]) -> Direct:
        """Some parts together."""
        voices = [voice for voice in self._performance.voices if voice.part in parts]
        own = [ReferencePart(voice, self._soundfont) for voice in voices]
        self._players += own
        return Direct(own)


class Direct:
    """Parts that are played together, from the start on: like a `Bus`, but without going back."""

    def __init__(self, players: Sequence[ReferencePart]) -> None:
        self._players = players

    def add(self, block: Samples, begin: int, scratch: Samples) -> None:
        """Add the samples from `begin` on, which must follow the last ones; before 0 is silence."""
        del scratch
        first = min(max(-begin, 0), block.shape[1])
        for player in self._players:
            block[:, first:] += player.read(block.shape[1] - first)


class ReferencePart(Closing):
    """One part as FluidSynth itself plays it."""

    def __init__(self, voice: Voice, soundfont: Soundfont) -> None:
        preset, _ = resolved(voice, soundfont)
        self._percussion = preset.percussion
        self._preset = preset
        self._synth = Synth(source_of(soundfont, preset.source).path)
        self._synth.select(preset.percussion, preset.program)
        _warm(self._synth, voice)
        self._events = sorted(_events(voice), reverse=True)
        self._now = 0  # sample that FluidSynth has come to, on the grid
        self._rest: Samples = np.zeros((2, 0), np.float32)  # played, and not yet asked for
        self._sides = np.array([[side] for side in sides(voice.level, voice.pan)], np.float32)

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
                    self._synth.select(self._percussion, self._preset.program, take)
                self._synth.on(self._percussion, key, velocity)
            else:
                self._synth.off(self._percussion, key)


def played(voice: Voice, length: int, soundfont: Soundfont) -> Samples:
    """One part as FluidSynth itself plays it, shape (2, length)."""
    with ReferencePart(voice, soundfont) as player:
        return player.read(length)


def on_the_grid(performance: Performance, velocities: bool = True) -> Performance:
    """The same performance with events on FluidSynth's grid, and velocities on the bank's steps.

    On it the note bank and FluidSynth can be compared sample by sample.
    """
    return replace(
        performance,
        voices=tuple(
            replace(voice, notes=tuple(_snapped(note, velocities) for note in voice.notes))
            for voice in performance.voices
        ),
    )


def _snapped(note: Played, velocities: bool) -> Played:
    start, end = _place(note.start), _place(note.start + note.duration)
    length = max(end - start, GRID)
    velocity = step_of(note.velocity) if velocities else note.velocity
    return replace(note, start=start / RATE, duration=length / RATE, velocity=velocity)


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
