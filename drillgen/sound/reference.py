"""A performance straight through FluidSynth, to compare the note bank's work with.

FluidSynth begins and ends notes on its grid of 64 samples only, so events are moved to the nearest
place on it.  Each part has a synthesiser of its own; level and pan are applied as in the mix.  No
room, no common gain, no limiter.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from drillgen.performance import Performance, Played, Voice
from drillgen.sound.arrangement import resolved
from drillgen.sound.mix import sides
from drillgen.sound.soundfonts import Soundfont
from drillgen.sound.strokes import sample_at, step_of
from drillgen.sound.synth import GRID, RATE, Samples, Synth
from drillgen.sound.wavfile import writing

Event = tuple[int, bool, int, int]  # sample on the grid, note-on, key, velocity
_VOICES = 64  # more than sound at once in a part


def reference(performance: Performance, path: Path, soundfont: Soundfont) -> None:
    """Write a performance as FluidSynth itself plays it.  Raises SoundError as `render` does."""
    length = sample_at(performance.seconds)
    total = np.zeros((2, length), np.float32)
    for voice in performance.voices:
        total += played(voice, length, soundfont)
    with writing(path) as file:
        file.write(total)


def played(voice: Voice, length: int, soundfont: Soundfont) -> Samples:
    """One part as FluidSynth itself plays it, shape (2, length)."""
    preset, _ = resolved(voice, soundfont)
    with Synth(soundfont.path) as synth:
        synth.select(preset.percussion, preset.program)
        _warm(synth, voice)
        pieces, now = [np.zeros((2, 0), np.float32)], 0
        for at, begins, key, velocity in sorted(_events(voice)):
            if at > now:
                pieces.append(synth.read(at - now))
                now = at
            if begins:
                synth.on(preset.percussion, key, velocity)
            else:
                synth.off(preset.percussion, key)
        pieces.append(synth.read(-(-max(length - now, 1) // GRID) * GRID))
    left, right = sides(voice.level, voice.pan)
    whole = np.concatenate(pieces, axis=1)[:, :length]
    return whole * np.array([[left], [right]], np.float32)


def on_the_grid(performance: Performance) -> Performance:
    """The same performance with events on FluidSynth's grid and velocities on the bank's steps.

    On it the note bank and FluidSynth can be compared sample by sample.
    """
    return replace(
        performance,
        voices=tuple(
            replace(voice, notes=tuple(_snapped(note) for note in voice.notes))
            for voice in performance.voices
        ),
    )


def _snapped(note: Played) -> Played:
    start, end = _place(note.start), _place(note.start + note.duration)
    length = max(end - start, GRID)
    return replace(
        note, start=start / RATE, duration=length / RATE, velocity=step_of(note.velocity)
    )


def _place(seconds: float) -> int:
    return round(seconds * RATE / GRID) * GRID


def _events(voice: Voice) -> Iterator[Event]:
    """Note-offs sort before note-ons at the same sample; a note struck again has no second off."""
    following: dict[int, int] = {}
    for note in sorted(voice.notes, key=lambda note: note.start, reverse=True):
        start, end = _place(note.start), _place(note.start + note.duration)
        again = following.get(note.key)
        if again is None or end <= again:
            yield max(end, start + GRID), False, note.key, 0
        else:
            yield again, False, note.key, 0
        yield start, True, note.key, note.velocity
        following[note.key] = start


def _warm(synth: Synth, voice: Voice) -> None:
    """Have every voice of FluidSynth's sound once, for the reason given in `Synth.note`."""
    for number in range(_VOICES):
        if voice.notes:
            note = voice.notes[number % len(voice.notes)]
            synth.on(voice.percussion, note.key, note.velocity)
    synth.read(GRID)
    synth.clear()
