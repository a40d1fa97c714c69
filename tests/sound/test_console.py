"""Mixes of any parts, and where the parts stand in them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from drillgen.sound.render import MixRequest, render, split
from drillgen.sound.soundfonts import Soundfont
from tests.sound.helpers import BAND, EVERYONE, band, level, read


def made(folder: Path, font: Soundfont, **mixes: Any) -> dict[str, Any]:
    """Each mix as its samples, at a loudness at which nothing is limited."""
    requests = [
        MixRequest(name, asked.pop("parts", EVERYONE), folder / f"{name}.wav", **asked)
        for name, asked in mixes.items()
    ]
    render(band(6.0), requests, soundfont=font, target_lufs=-30.0)
    return {request.name: read(request.path) for request in requests}


def test_any_parts(tmp_path: Path, font: Soundfont) -> None:
    """Everything is the sum of everything without the bass and the bass alone, and so on.

    What is left over is rounding and dither of three files: under 5 steps of 16 bits.
    """
    parts = {part: frozenset({part}) for part in ("bass", "drums", "comping", "line")}
    without = {f"without {part}": EVERYONE - own for part, own in parts.items()}
    asked = {name: {"parts": own} for name, own in (parts | without).items()}
    found = made(tmp_path, font, everything={}, **asked)
    for part in parts:
        rest = found["everything"] - found[f"without {part}"] - found[part]
        assert np.abs(rest).max() < 5 / 32768
        assert level(found[part]) > -70


def test_split(tmp_path: Path, font: Soundfont) -> None:
    """In a split mix the line is on the right alone and the band on the left alone."""
    found = made(
        tmp_path,
        font,
        split={"sides": split(EVERYONE)},
        line={"parts": frozenset({"line"}), "sides": split(EVERYONE)},
        band={"parts": BAND, "sides": split(EVERYONE)},
    )
    assert level(found["line"][0]) < -90 and level(found["band"][1]) < -90  # dither
    assert np.abs(found["split"][0] - found["band"][0]).max() < 3 / 32768
    assert np.abs(found["split"][1] - found["line"][1]).max() < 3 / 32768


def test_a_side_keeps_the_level(tmp_path: Path, font: Soundfont) -> None:
    """On one side, a bass has the power that it has in the middle (equal-power law)."""
    own = frozenset({"bass"})
    found = made(tmp_path, font, middle={"parts": own}, side={"parts": own, "sides": {"bass": 1}})
    power = {name: np.square(sound).mean(axis=1).sum() for name, sound in found.items()}
    assert abs(10 * np.log10(power["side"] / power["middle"])) < 0.5


def test_mono(tmp_path: Path, font: Soundfont) -> None:
    """A mono mix is the mean of left and right on both sides."""
    found = made(tmp_path, font, stereo={}, mono={"mono": True})
    mean = found["stereo"].mean(axis=0)
    for side in found["mono"]:
        assert np.abs(side - mean).max() < 3 / 32768
