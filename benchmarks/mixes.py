"""`python -m benchmarks.sounds mixes [SOUNDFONT …]`: whole mixes of every feel, in numbers.

Each soundfont is heard as where nobody chose one, with drillgen's own sounds beside it; behind
`chosen:` it plays all that it has.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile

from benchmarks.tones import Floats, weighted
from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.band import feel_file
from drillgen.drill.lesson import load
from drillgen.drill.reader import Override
from drillgen.performance import LOUDNESS, Performance, perform
from drillgen.score import PartName
from drillgen.sound.fluidsynth import HOP, RATE
from drillgen.sound.loudness import hop_energies, loudness_of
from drillgen.sound.render import MixRequest, render
from drillgen.sound.soundfonts import Soundfont, find_soundfonts, read_soundfont

DRILLS: dict[str, tuple[str, dict[str, object]]] = {
    "swing 120": ("first-two-fives", {"tempo": 120, "band": {"bass": "walking"}}),
    "swing 200": ("first-two-fives", {"tempo": 200, "band": {"bass": "walking"}}),
    "ballad 60": ("lamps-out-one-by-one", {"tempo": 60}),
    "bossa 120": ("window-on-the-harbour", {"tempo": 120}),
    "samba 190": ("street-before-noon", {"tempo": 190}),
    "waltz 138": ("three-and-two-halves", {"tempo": 138}),
    "two-feel 112": ("before-the-band-walks", {"tempo": 112}),
    "straight 132": ("water-over-stones", {"tempo": 132}),
    "shuffle 120": ("boots-on-the-back-stairs", {"tempo": 120, "band": {"bass": "walking"}}),
    "slow 12/8 60": ("four-slow-steps", {"tempo": 60}),
    "five 150": ("three-plus-two", {"tempo": 150}),
}
_HEADS = (
    "drill",
    "soundfont",
    "side/mid, dB",
    "in mono, LU",
    "bass above 300 Hz, LU",
    "1 against 3, dB",
    "drums off, LU",
    "comping off, LU",
    "line off, LU",
    "play-along, LUFS",
    "with line, LUFS",
)
_MARKS = ("", "mark", "−12 to −8", "≥ −3", "≥ −8", "> 0", "±1.5", "±1.5", "±1.5", "", "")
_BEAT = 0.12  # seconds from a beat on that are taken for its stroke
_EARLY = 0.02


class Mixed(NamedTuple):
    """A performance as it was rendered: each part alone, and the two mixes, shape (n, 2)."""

    performance: Performance
    parts: dict[PartName, Floats]
    band: Floats
    everyone: Floats


def mixes(asked: Sequence[str]) -> None:
    """Print the table."""
    print(f"| {' | '.join(_HEADS)} |\n{'| --- ' * len(_HEADS)}|\n| {' | '.join(_MARKS)} |")
    for drill, (preset, settings) in DRILLS.items():
        for name, font in fonts(asked):
            figures = list(_figures(mixed(played(preset, settings), font)))
            cells = [f"{each:.1f}" if each == each else "–" for each in figures]
            print(f"| {drill} | {name} | {' | '.join(cells)} |", flush=True)


def fonts(asked: Sequence[str]) -> Iterator[tuple[str, Soundfont]]:
    """Names and soundfonts: those asked for, or all that are found."""
    for path in asked:
        place = "asked for" if path.startswith("chosen:") else "shared"
        font = read_soundfont(Path(path.removeprefix("chosen:")), place)
        yield f"{font.called}{' alone' if font.chosen else ''}", font
    if not asked:
        yield from ((font.called, font) for font in find_soundfonts())


def played(preset: str, settings: dict[str, object]) -> Performance:
    """A preset once through in C."""
    whole = {"key_cycle": ["C"], "passes": 1, "gaps": "none", **settings}
    drill = load(preset, [Override.of(key, value) for key, value in whole.items()]).drills[0]
    return perform(arrange(charts(drill)[0]))


def mixed(performance: Performance, font: Soundfont, room: str = "small") -> Mixed:
    """A performance rendered with a soundfont."""
    parts = [voice.part for voice in performance.voices]
    with tempfile.TemporaryDirectory() as folder:
        top = Path(folder)
        wanted = {part: frozenset({part}) for part in parts}
        requests = [
            MixRequest(name, some, top / f"{name}.wav", measured=False)
            for name, some in wanted.items()
        ]
        everyone = frozenset(parts)
        requests.append(MixRequest("band", everyone - {"line"}, top / "band.wav"))
        requests.append(MixRequest("all", everyone, top / "all.wav"))
        render(performance, requests, soundfont=font, room=room)
        sounds = {each.name: soundfile.read(each.path)[0] for each in requests}
    alone = {part: np.asarray(sounds[part]) for part in parts}
    return Mixed(performance, alone, np.asarray(sounds["band"]), np.asarray(sounds["all"]))


def lufs(sound: Floats) -> float:
    """Integrated loudness, ITU-R BS.1770, of shape (n, 2)."""
    padded = np.pad(sound.T, ((0, 0), (HOP, -len(sound) % HOP))).astype(np.float32)
    return loudness_of([(hop_energies(padded, RATE), HOP)])


def _figures(mix: Mixed) -> Iterator[float]:
    yield _ratio(mix.band[:, 0] - mix.band[:, 1], mix.band[:, 0] + mix.band[:, 1])
    mono = np.repeat(mix.band.mean(axis=1, keepdims=True), 2, axis=1)
    yield lufs(mono) - lufs(mix.band)
    rest = sum(sound for part, sound in mix.parts.items() if part in ("drums", "comping"))
    bass = mix.parts.get("bass")
    if bass is None:
        yield float("nan")
    else:
        low, others = (np.asarray(each).mean(axis=1) for each in (bass, rest))
        yield weighted(low, 300.0) - weighted(others, 300.0)
    yield _marked(mix)
    yield from _off(mix)
    yield lufs(mix.band)
    yield lufs(mix.everyone)


def _ratio(one: Floats, other: Floats) -> float:
    return float(10 * np.log10(np.square(one).sum() / np.square(other).sum()))


def _marked(mix: Mixed) -> float:
    """How much more of the band sounds on 1 than on 3, dB; in three and five than on the others."""
    chart = mix.performance.chart
    sound = mix.band.mean(axis=1)
    meter = chart.drill.meter
    half = meter.beat * (2 if meter.beats in (2, 4) else 1)
    energies: tuple[list[float], list[float]] = ([], [])
    for bar in chart.bars:
        if bar.form_bar >= 0 and not (bar.tag or bar.change):
            for found, place in zip(energies, (bar.start, bar.start + half), strict=True):
                first = max(round((chart.seconds_at(place) - _EARLY) * RATE), 0)
                found.append(float(np.square(sound[first : first + round(_BEAT * RATE)]).sum()))
    one, other = (np.mean(10 * np.log10(np.array(each) + 1e-12)) for each in energies)
    return float(one - other)


def _off(mix: Mixed) -> Iterator[float]:
    """How far drums and comping are from where the feel has them against the bass, and the line
    against the band."""
    table = LOUDNESS | feel_file(mix.performance.chart.drill.feel).get("balance", {})
    found = {part: lufs(sound) for part, sound in mix.parts.items()}
    for part in ("drums", "comping"):
        there = part in found and "bass" in found
        yield found[part] - found["bass"] - table[part] if there else float("nan")
    yield found["line"] - lufs(mix.band) - table["line"] + 3.0
