"""What is asked of a rendering, and what it reports."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from drillgen.score import PartName
from drillgen.sound.synth import RATE


@dataclass(frozen=True, slots=True)
class MixRequest:
    """A file to write: some of the parts together."""

    name: str
    parts: frozenset[PartName]
    path: Path
    measured: bool = True  # whether the gain is set by it; not so for a part alone
    # Parts that stand elsewhere than in the band, from -1 (left) to 1 (right).
    sides: Mapping[PartName, float] | None = None
    mono: bool = False  # the same on both sides, for one loudspeaker


@dataclass(frozen=True, slots=True)
class MixReport:
    """A file as it was written."""

    name: str
    path: Path
    lufs: float  # integrated, ITU-R BS.1770; -inf if it is silent
    true_peak_db: float  # dBTP
    seconds: float
    samples: int


@dataclass(frozen=True, slots=True)
class RenderReport:
    """What was made of a performance."""

    mixes: tuple[MixReport, ...]
    gain_db: float  # of all mixes alike, against the parts' own levels
    warnings: tuple[str, ...]
    library_version: str
    sample_rate: int = RATE


def split(parts: Iterable[PartName]) -> dict[PartName, float]:
    """Sides for a mix with the band on the left, and the line and its first note on the right."""
    return {part: 1.0 if part in ("line", "cue") else -1.0 for part in parts}
