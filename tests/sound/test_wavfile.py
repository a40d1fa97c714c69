"""Audio files: whole, dithered, and the same each time."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from drillgen.errors import SoundError
from drillgen.sound.on_disk import framed, writing

LSB = 1 / 32767


def written(path: Path, signal: np.ndarray, block: int) -> bytes:
    with writing(path, signal.shape[1]) as file:
        for first in reversed(range(0, signal.shape[1], block)):
            file.write(first, framed(first, signal[:, first : first + block].astype(np.float32)))
    return path.read_bytes()


def test_format(tmp_path: Path) -> None:
    """libsndfile reads 44.1 kHz, two channels, 16 bits and every sample within 1.5 steps.

    1.5 steps: half from rounding, one from the dither.
    """
    signal = np.stack([np.linspace(-1, 1, 600000), np.linspace(0.5, -0.5, 600000)])
    written(tmp_path / "a.wav", signal, 98304)
    info = soundfile.info(tmp_path / "a.wav")
    assert (info.samplerate, info.channels, info.subtype) == (44100, 2, "PCM_16")
    back, _ = soundfile.read(tmp_path / "a.wav", dtype="int16")
    assert back.shape == (600000, 2)
    assert np.abs(back.T - signal * 32767).max() <= 1.5


def test_same_bytes(tmp_path: Path) -> None:
    """The same sound gives the same bytes, however it is cut into blocks, in any order."""
    signal = np.random.default_rng(1).standard_normal((2, 700000)) * 0.1
    assert written(tmp_path / "a.wav", signal, 98304) == written(tmp_path / "b.wav", signal, 33333)


def test_dither_keeps_what_is_below_a_step(tmp_path: Path) -> None:
    """A sine of 0.3 of a step survives, and the error's power does not depend on the signal.

    Both are what TPDF dither is for (Lipshitz, Wannamaker and Vanderkooy, JAES 40, 1992): the
    total error has variance 1/4 of a step squared.
    """
    tone = 0.3 * LSB * np.sin(np.arange(400000) * 0.05)
    written(tmp_path / "a.wav", np.stack([tone, np.full(400000, 0.37 * LSB)]), 98304)
    back, _ = soundfile.read(tmp_path / "a.wav", dtype="int16")
    kept = 2 * np.mean(back[:, 0] * np.sin(np.arange(400000) * 0.05))
    assert kept == pytest.approx(0.3, abs=0.02)
    for channel, signal in ((0, tone / LSB), (1, 0.37)):
        assert np.var(back[:, channel] - signal) == pytest.approx(0.25, abs=0.01)


def test_nothing_half_done(tmp_path: Path) -> None:
    """Where writing breaks off, an older file stays and nothing else is left."""
    target = tmp_path / "a.wav"
    target.write_bytes(b"older")
    with pytest.raises(KeyError), writing(target, 1000) as file:
        file.write(0, framed(0, np.zeros((2, 1000), np.float32)))
        raise KeyError
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("a.wav", b"older")]


def test_no_such_folder(tmp_path: Path) -> None:
    """A folder that is not there is one sentence, not a traceback."""
    refused = pytest.raises(SoundError, match="cannot be written: no such file")
    with refused, writing(tmp_path / "none" / "a.wav", 1):
        pass


@pytest.mark.skipif(os.name != "posix", reason="limits on a file's size are set the POSIX way")
def test_no_room_left(tmp_path: Path) -> None:
    """Where the system refuses more bytes: one sentence, and nothing is left behind."""
    program = (
        "import resource, signal, sys, numpy as np\n"
        "from pathlib import Path\n"
        "from drillgen.errors import SoundError\n"
        "from drillgen.sound.on_disk import framed, writing\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (100000, 100000))\n"
        "try:\n"
        "    with writing(Path(sys.argv[1]), 200000) as file:\n"
        "        file.write(0, framed(0, np.zeros((2, 200000), np.float32)))\n"
        "except SoundError as error:\n"
        "    print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "a.wav")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "cannot be written: file too large" in done.stdout
    assert list(tmp_path.iterdir()) == []
