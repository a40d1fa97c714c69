"""Two builds of LAME, two minutes of stereo each: `python -m benchmarks.encoders`.

The one that writes our MP3s (lameenc) and libav's, at the same quality and effort: which is the
quicker decides which is used.
"""

from __future__ import annotations

import time
import wave
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from drillgen.audio.libav import LibavCoding
from drillgen.audio.mp3 import write_mp3
from drillgen.audio.tags import AudioSource, Tags, opened

_RATE, _SECONDS, _RUNS = 44100, 120, 5
_LIBAV = LibavCoding(
    container="mp3",
    codec="libmp3lame",
    samples="s16p",
    words=lambda tags: {"title": tags.title},
    encoder_options=(
        ("compression_level", "5"),
        ("flags", "+qscale"),
        ("global_quality", str(2 * 118)),  # quality 2, in libav's lambda units
    ),
)


def main() -> None:
    """Print the least seconds of several runs."""
    with TemporaryDirectory() as folder, opened(_music(Path(folder) / "a.wav")) as source:
        for name, write in (("lameenc", write_mp3), ("libav", _LIBAV.write)):
            seconds, size = min(_timed(source, write) for _ in range(_RUNS))
            print(f"{name}: {seconds:.2f} s, {size} bytes")


def _timed(
    source: AudioSource, write: Callable[[AudioSource, BytesIO, Tags], None]
) -> tuple[float, int]:
    source.file.rewind()
    out = BytesIO()
    start = time.perf_counter()
    write(source, out, Tags("A"))
    return time.perf_counter() - start, len(out.getvalue())


def _music(path: Path) -> Path:
    """Plucked notes with noise at their start, one after the other."""
    random = np.random.default_rng(7)
    note = np.arange(_RATE // 4) / _RATE
    plucks = [
        np.exp(-6 * note) * np.sin(2 * np.pi * 82.4 * 2 ** (5 * number % 19 / 12) * note)
        + 0.2 * np.exp(-90 * note) * random.standard_normal(len(note))
        for number in range(4 * _SECONDS)
    ]
    sound = np.rint(np.concatenate(plucks) * 8000).astype("<i2")
    with wave.open(str(path), "wb") as file:
        file.setparams((2, 2, _RATE, 0, "NONE", ""))
        file.writeframes(np.repeat(sound, 2).tobytes())
    return path


if __name__ == "__main__":
    main()
