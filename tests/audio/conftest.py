"""One short piece in every form."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drillgen.audio.formats import FORMATS, encode
from tests.audio.helpers import TAGS, music, write_wav


@dataclass(frozen=True)
class Piece:
    """A source and its files by form."""

    samples: np.ndarray[Any, Any]  # (count, 2), 16 bits
    wav: Path
    files: dict[str, Path]


@pytest.fixture(scope="session")
def piece(tmp_path_factory: pytest.TempPathFactory) -> Piece:
    """5 seconds and an odd number of samples, in every form, with all tags."""
    folder = tmp_path_factory.mktemp("piece")
    samples = music(220777)
    wav = write_wav(folder / "source.wav", samples)
    files = {name: folder / f"piece{row.suffix}" for name, row in FORMATS.items()}
    for name, path in files.items():
        encode(wav, path, name, TAGS)
    return Piece(samples, wav, files)
