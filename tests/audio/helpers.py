"""A little music to encode, and other libraries' ears."""

from __future__ import annotations

import wave
from pathlib import Path
from typing import Any

import av
import numpy as np

from drillgen.audio.formats import FORMATS
from drillgen.audio.tags import Chapter, Tags

RATE = 44100
LOSSLESS = tuple(name for name, row in FORMATS.items() if row.lossless)
LOSSY = tuple(name for name, row in FORMATS.items() if not row.lossless)
TAGS = Tags(
    title="Thirds, ♭ and ♯",
    album="Slow bows",
    track=3,
    tracks=12,
    key="F# minor",
    tempo=72.0,
    comment="Sing it first.\nThen play – softly.",
    licence="Sounds: public domain; may be handed out.",
    chapters=(Chapter(0.0, "count-in"), Chapter(1.5, "Bb, call"), Chapter(3.25, "Bb, réponse")),
    loop_from=1.5,
)


def music(count: int, channels: int = 2) -> np.ndarray[Any, Any]:
    """Plucks and strokes of noise, each channel its own; 16 bits, shape (count, channels)."""
    random = np.random.default_rng(7)
    time = np.arange(count) / RATE
    sound = np.zeros((count, channels))
    for channel in range(channels):
        for number, start in enumerate(np.arange(0.05, count / RATE, 0.31)):
            since = np.clip(time - start, 0, None)
            pitch = 82.4 * 2 ** ((5 * number + 4 * channel) % 19 / 12)
            pluck = np.exp(-6 * since) * np.sin(2 * np.pi * pitch * since)
            stroke = np.exp(-90 * since) * random.standard_normal(count) * (since > 0)
            sound[:, channel] += 0.25 * pluck + 0.05 * stroke
    return np.rint(sound * 20000).astype("<i2")


def write_wav(path: Path, samples: np.ndarray[Any, Any], rate: int = RATE) -> Path:
    """A 16-bit WAV by Python's own writer."""
    with wave.open(str(path), "wb") as file:
        file.setparams((samples.shape[1], 2, rate, 0, "NONE", ""))
        file.writeframes(samples.tobytes())
    return path


def by_libav(path: Path) -> np.ndarray[Any, Any]:
    """All samples that libav decodes, shape (count, channels), full scale 1."""
    with av.open(str(path)) as file:
        channels = file.streams.audio[0].channels
        parts = []
        for frame in file.decode(audio=0):
            part = frame.to_ndarray()
            parts.append(part.reshape(-1, channels) if frame.format.is_packed else part.T)
    sound = np.concatenate(parts)
    return sound / 32768 if sound.dtype == np.int16 else sound


def chapters(path: Path) -> list[tuple[float, str]]:
    """Starts in seconds and titles of the chapters that libav finds."""
    with av.open(str(path)) as file:
        found = file.chapters()
    starts = ((float(each["start"] * each["time_base"]), each["metadata"]) for each in found)
    return [(start, said["title"]) for start, said in sorted(starts, key=lambda pair: pair[0])]
