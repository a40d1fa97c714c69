"""Takes for the tests: strings and voices of sines, whose pitches, times and slips are known."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
import soundfile
from numpy.typing import NDArray

RATE = 22050
Sound = NDArray[np.float64]


@dataclass(frozen=True)
class Tone:
    """A note as it is sounded: seconds, hertz."""

    start: float
    length: float
    hertz: float


def hertz(midi: float) -> float:
    """Equal temperament, A4 = 440 Hz (ISO 16)."""
    return float(440 * 2 ** ((midi - 69) / 12))


def plucked(tones: Iterable[Tone], seconds: float, rate: int = RATE) -> Sound:
    """Strings: partials as 1/n that die away the sooner the higher they are."""
    out = np.zeros(round(seconds * rate))
    for tone in tones:
        first = round(tone.start * rate)
        time = np.arange(min(round(tone.length * rate), len(out) - first)) / rate
        sound = sum(
            np.sin(2 * np.pi * n * tone.hertz * time) * np.exp(-time * (0.7 + 0.3 * n)) / n
            for n in range(1, 13)
            if n * tone.hertz < rate / 2
        )
        fade = np.clip(time / 0.004, 0, 1) * np.clip((tone.length - time) / 0.03, 0, 1)
        out[first : first + len(time)] += sound * fade
    return out / max(np.abs(out).max(), 1e-9) * 0.5


def written(path: Path, sound: Sound, rate: int = RATE) -> Path:
    """The sound as a file of the kind that its ending says."""
    soundfile.write(path, sound, rate)
    return path


def line_of(path: Path) -> list[tuple[float, float, int]]:
    """Start, end and key of each note of the part `line` of a MIDI file, as mido plays it."""
    file = mido.MidiFile(path)
    conductor = file.tracks[0]
    line = next(track for track in file.tracks if track.name == "line")
    alone = mido.MidiFile(ticks_per_beat=file.ticks_per_beat)
    alone.tracks += [conductor, line]
    now, sounding, notes = 0.0, {}, []
    for message in alone:
        now += message.time
        if message.type == "note_on" and message.velocity:
            sounding[message.note] = now
        elif message.type in ("note_on", "note_off") and message.note in sounding:
            notes.append((sounding.pop(message.note), now, message.note))
    return notes
