"""Answers to record: plucked strings made here, sample by sample, from the asked notes."""

from __future__ import annotations

import wave
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drillgen.page import Take
from drillgen.take import AskedResponse
from drillgen.take.asked import of_track

RATE = 44100
Sound = NDArray[np.float64]
Played = tuple[float, float, float]  # start and end in seconds, MIDI pitch


def asked_of(take: Take) -> Sequence[AskedResponse]:
    return of_track(take.score, take.performance).responses


def as_asked(responses: Iterable[AskedResponse]) -> list[Played]:
    return [(note.start, note.end, float(note.key)) for each in responses for note in each.notes]


def plucked(notes: Iterable[Played], seconds: float) -> Sound:
    """Strings that ring down, upper partials first; equal temperament, A4 at 440 Hz (ISO 16)."""
    out, random = np.zeros(int(seconds * RATE)), np.random.default_rng(1)
    for start, end, pitch in notes:
        first = int(start * RATE)
        time = np.arange(max(min(int(end * RATE), len(out)) - first, 0)) / RATE
        hertz = 440 * 2 ** ((pitch - 69) / 12)
        tone = sum(
            np.exp(-time * (0.8 + 0.3 * n)) / n * np.sin(2 * np.pi * n * hertz * time)
            for n in range(1, 16)
        )
        finger = 0.2 * random.normal(size=len(time)) * np.exp(-time / 0.005)
        fade = np.clip(time / 0.003, 0, 1) * np.clip((time[-1:] - time) / 0.02, 0, 1)
        out[first : first + len(time)] += (tone + finger) * fade
    return 0.25 * out + 1e-4 * random.normal(size=len(out))


def bowed(notes: Iterable[Played], seconds: float, rate: int) -> Sound:
    """Slow bows on one string: each note needs 0.1 s to its level, and the one before it is gone in
    0.05 s; 20 cents of vibrato; the same phases at any rate."""
    out = np.zeros(round(seconds * rate))
    for start, end, pitch in notes:
        first = round(start * rate)
        time = np.arange(round((end + 0.05 - start) * rate)) / rate
        bent = pitch + 0.2 * np.clip((time - 0.1) / 0.2, 0, 1) * np.sin(2 * np.pi * 5.5 * time)
        phase = 2 * np.pi * np.cumsum(440 * 2 ** ((bent - 69) / 12)) / rate
        tone = sum(np.sin(n * phase + n) / n for n in range(1, 16))
        shape = np.clip(time / 0.1, 0, 1) * np.clip((end + 0.05 - start - time) / 0.05, 0, 1)
        out[first : first + len(time)] += (tone * shape)[: len(out) - first]
    return 0.2 * out


def written(file: Path, sound: Sound) -> Path:
    """As WAVE, 16 bits."""
    with wave.open(str(file), "wb") as to:
        to.setnchannels(1)
        to.setsampwidth(2)
        to.setframerate(RATE)
        to.writeframes((np.clip(sound, -1, 1) * 32767).astype("<i2").tobytes())
    return file
