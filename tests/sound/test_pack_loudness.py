"""Tracks of one pack are equally loud."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyloudnorm

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.lesson import read_drill
from drillgen.drill.overrides import Override
from drillgen.performance import perform
from drillgen.sound.render import MixRequest, render
from drillgen.sound.soundfonts import Soundfont
from tests.sound.helpers import read

PRESETS = (
    "blues/blues-walking",
    "guide-tones/*",
    "feels/water-over-stones",
    "call-and-response/one-bar-echoes",
    "feels/four-slow-steps",
)
TEMPOS = (60, 104, 208)


def drills() -> list[Path]:
    root = Path(__file__).parents[2] / "presets"
    return [
        sorted(root.glob(f"{preset}.yaml" if "*" not in preset else preset))[0]
        for preset in PRESETS
    ]


def test_tracks_match(tmp_path: Path, font: Soundfont) -> None:
    """Whatever the feel and the tempo, each track is at -16 LUFS, by pyloudnorm (within 0.25).

    Both mixes of a track are measured as one programme; so no two tracks differ by a LU, and
    neither the limiter nor the rule for high peaks makes one stand out.
    """
    found = {}
    for number, path in enumerate(drills()):
        drill = read_drill(
            path, [Override.of("tempo", TEMPOS[number % 3]), Override.of("key_cycle", ["C"])]
        )
        performance = perform(arrange(charts(drill)[0]))
        everyone = frozenset(voice.part for voice in performance.voices)
        mixes = [
            MixRequest("band", everyone - {"line"}, tmp_path / "a.wav"),
            MixRequest("all", everyone, tmp_path / "b.wav"),
        ]
        render(performance, mixes, soundfont=font)
        both = np.concatenate([read(mix.path) for mix in mixes], axis=1)
        found[path.stem] = pyloudnorm.Meter(44100).integrated_loudness(both.T.astype(np.float64))
    assert all(-16.9 < loudness < -15.9 for loudness in found.values()), found
