"""Small performances, and other programs' ears."""

from __future__ import annotations

import math
import re
import shutil
import subprocess
import wave
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drillgen.performance import Performance, Played, Voice

NO_CHART: Any = None  # the sound room does not look at the chart


def voice(part: Any, program: int, notes: Iterable[Played], **more: Any) -> Voice:
    percussion = part in ("drums", "click")
    facts = {"percussion": percussion, "channel": 9 if percussion else 0, "level": 0.0, "pan": 0.0}
    return Voice(part=part, program=program, notes=tuple(notes), **(facts | more))


def performance(seconds: float, *voices: Voice) -> Performance:
    return Performance(NO_CHART, voices, seconds)


def band(seconds: float = 12.0, tempo: float = 120.0) -> Performance:
    """Drums, piano, bass and a line, played by rule from the first beat to the last."""
    beat = 60 / tempo
    beats = range(int((seconds - 1) / beat))
    ride = [Played(n * beat, 0.2, 51, 70 + 7 * (n % 3)) for n in beats]
    hat = [Played(n * beat, 0.1, 44, 80) for n in beats if n % 2]
    chords = [
        Played(n * beat + beat / 3, 0.4 * beat * (1 + n % 3), key, 70 + n % 9)
        for n in beats
        if n % 4 in (0, 3)
        for key in (53 + n % 5, 57 + n % 5, 64 - n % 2)
    ]
    walking = [Played(n * beat, 0.9 * beat, 36 + 7 * n % 17, 80 + n % 8) for n in beats]
    line = [Played(n * beat, 1.9 * beat, 60 + 5 * n % 12, 84) for n in beats if n % 2 == 0]
    return performance(
        seconds,
        voice("drums", 0, ride + hat, level=-5.0, pan=0.1),
        voice("comping", 0, chords, level=-7.0, pan=-0.25),
        voice("bass", 32, walking),
        voice("line", 0, line),
    )


BAND = frozenset({"drums", "comping", "bass"})
EVERYONE: frozenset[Any] = BAND | {"line"}


def read(path: Path) -> np.ndarray[Any, np.dtype[np.float32]]:
    """A 16-bit WAV file by Python's own reader, shape (2, n), full scale 1."""
    with wave.open(str(path)) as file:
        raw = file.readframes(file.getnframes())
    return np.frombuffer(raw, "<i2").reshape(-1, 2).T.astype(np.float32) / 32768


def level(samples: Any) -> float:
    """RMS level in dB."""
    return 10 * math.log10(float(np.mean(np.square(samples, dtype=np.float64))) + 1e-30)


def silence_around(signal: Any) -> Callable[[int, int], Any]:
    """Reads a signal of shape (channels, n) from a sample to another, also beyond its ends."""

    def read(begin: int, end: int) -> Any:
        count = signal.shape[1]
        inside = signal[:, max(begin, 0) : min(end, count)]
        return np.pad(inside, ((0, 0), (max(-begin, 0), max(end - max(count, begin), 0))))

    return read


def ffmpeg_loudness(path: Path) -> tuple[float, float]:
    """Integrated loudness (LUFS) and true peak (dBTP) by ffmpeg's ebur128 filter."""
    program = shutil.which("ffmpeg")
    if program is None:
        pytest.skip("ffmpeg is not installed (Debian: apt install ffmpeg)")
    done = subprocess.run(
        [
            program,
            "-hide_banner",
            "-nostats",
            "-i",
            str(path),
            "-af",
            "ebur128=peak=true:framelog=verbose",
            "-f",
            "null",
            "-",
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    summary = done.stderr.rpartition("Summary:")[2]
    loudness = re.search(r"I:\s+(-?[\d.]+) LUFS", summary)
    peak = re.search(r"Peak:\s+(-?[\d.]+) dBFS", summary)
    assert loudness and peak, done.stderr
    return float(loudness[1]), float(peak[1])
