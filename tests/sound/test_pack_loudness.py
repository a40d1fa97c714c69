"""Tracks of one pack are equally loud, and their parts stand where the feel has them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.band import feel_file
from drillgen.drill.lesson import load
from drillgen.drill.reader import Override
from drillgen.performance import LOUDNESS, Performance, perform
from drillgen.sound.render import MixRequest, render
from drillgen.sound.soundfonts import Soundfont, find_soundfonts
from tests.sound.helpers import read

PRESETS = (
    "blues/blues-walking",
    "guide-tones/*",
    "feels/water-over-stones",
    "call-and-response/one-bar-echoes",
    "feels/four-slow-steps",
)
TEMPOS = (60, 104, 208)
FONTS = list({font.path.stem: font for font in find_soundfonts() if font.rank < 50}.values())


def drills() -> list[Path]:
    root = Path(__file__).parents[2] / "presets"
    return [
        sorted(root.glob(f"{preset}.yaml" if "*" not in preset else preset))[0]
        for preset in PRESETS
    ]


def played(path: Path, tempo: int) -> Performance:
    asked = {"tempo": tempo, "key_cycle": ["C"], "passes": 1}
    drill = load(path, [Override.of(name, value) for name, value in asked.items()]).drills[0]
    return beginning(perform(arrange(charts(drill)[0])), 20.0)


def beginning(whole: Performance, seconds: float) -> Performance:
    """The first seconds of a track, or all of it: each note and second has to be rendered."""
    voices = (
        replace(voice, notes=tuple(note for note in voice.notes if note.start < seconds - 1))
        for voice in whole.voices
    )
    return replace(whole, voices=tuple(voices), seconds=min(seconds, whole.seconds))


def lufs(*sounds: np.ndarray) -> float:
    import pyloudnorm

    both = np.concatenate(sounds, axis=1)
    return float(pyloudnorm.Meter(44100).integrated_loudness(both.T.astype(np.float64)))


def test_tracks_match(tmp_path: Path, font: Soundfont) -> None:
    """Whatever the feel and the tempo, each track is at -16 LUFS, by pyloudnorm (within 0.25).

    Both mixes of a track are measured as one programme; so no two tracks differ by a LU, and
    neither the limiter nor the rule for high peaks makes one stand out.  Nor do play-alongs differ
    by a LU from one another, nor demonstrations, whether their line rests or not.
    """
    found, apart = {}, []
    for number, path in enumerate(drills()):
        performance = played(path, TEMPOS[number % 3])
        everyone = frozenset(voice.part for voice in performance.voices)
        mixes = [
            MixRequest("band", everyone - {"line"}, tmp_path / "a.wav"),
            MixRequest("all", everyone, tmp_path / "b.wav"),
        ]
        report = render(performance, mixes, soundfont=font)
        assert report.warnings == ()
        sounds = [read(mix.path) for mix in mixes]
        found[path.stem] = lufs(*sounds)
        apart.append([lufs(sound) for sound in sounds])
    assert np.ptp(apart, axis=0).max() < 1.0, apart
    assert all(abs(loudness + 16) < 0.25 for loudness in found.values()), found


@pytest.mark.parametrize("font", FONTS, ids=lambda font: font.path.stem)
@pytest.mark.parametrize("preset", ["water-over-stones", "lamps-out-one-by-one"])
def test_parts_stand_where_the_feel_has_them(tmp_path: Path, font: Soundfont, preset: str) -> None:
    """Drums and comping stand against the bass, and the line against the whole band, as the feel's
    table has them, within 1.5 LU by pyloudnorm, whatever the soundfont; and a band is heard on
    one loudspeaker: in mono it loses no more than 1.5 LU."""
    performance = played(Path(__file__).parents[2] / f"presets/feels/{preset}.yaml", 104)
    table = LOUDNESS | feel_file(performance.chart.drill.feel).get("balance", {})
    stems = [
        MixRequest(part, frozenset({part}), tmp_path / f"{part}.wav", measured=part == "bass")
        for part in ("bass", "drums", "comping", "line")
    ]
    render(performance, stems, soundfont=font, room="off", target_lufs=-30.0)
    sounds = {mix.name: read(mix.path) for mix in stems}
    found = {part: lufs(sound) for part, sound in sounds.items()}
    for part in ("drums", "comping"):
        assert found[part] - found["bass"] == pytest.approx(table[part], abs=1.5), part
    both = sounds["bass"] + sounds["drums"] + sounds["comping"]
    band = lufs(both)
    assert lufs(np.repeat(both.mean(axis=0, keepdims=True), 2, axis=0)) - band > -1.5
    # a whole band is two instruments more, together as loud as the bass: 10 log10(2) = 3 LU
    assert found["line"] - band == pytest.approx(table["line"] - 3.0, abs=1.5)
