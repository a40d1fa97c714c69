"""The whole soundfont: which sample each key, take and manner plays, and the file that holds them.

| bank | program | what |
| --- | --- | --- |
| 0, 1, 2 | 32 | upright bass, three takes of every note |
| 8, 9, 10 | 32 | the same, a dead note: the string is damped as it is plucked |
| 16, 17, 18 | 32 | the same, slid into from two semitones below |
| 0, 1, 2; 8, 9, 10; 16, 17, 18 | 33 | electric bass, likewise |
| 128 | 40, 41, 42 | brush kit, three takes of every stroke; keys as General MIDI 2's brush kit |
| 128 | 0, 1, 2 | standard kit, likewise |

SoundFont 2 cannot take turns between samples, so a take is a bank (of the kits, a program): whoever
plays the same note twice changes it.  A stopped note's other takes play the samples of its
neighbours on the string, a semitone or two up or down: plucks of their own, at the cost of no
memory.

`python -m drillgen.bank.make FILE.sf2` makes the file, to be played with any synthesiser.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from drillgen.bank import basses, percussion
from drillgen.bank.basses import HIGHEST, LOWEST, PluckedBass, keys_with_samples, string_of, tone
from drillgen.bank.modes import Floats
from drillgen.bank.percussion import BRUSHES, EVERY_KIT, STICKS, SWEEP_KEY, KitStroke, struck, sweep
from drillgen.bank.soundfont_writer import (
    LOOPED,
    VELOCITY_FALLING_CONCAVE,
    VELOCITY_RISING,
    FontInstrument,
    FontPreset,
    Info,
    Modulator,
    Pair,
    Sample,
    Settings,
    Zone,
    soundfont,
    timecents,
)
from drillgen.disk import whole_file

VERSION = "1"  # another one is another file
NAME = "Drillgen Own"
LICENCE = "CC0 1.0"
LICENCE_TEXT = (
    "CC0 1.0 Universal: its makers waive all copyright and related rights to this soundfont."
    " Every sound in it was reckoned by a program; none is a recording."
    " https://creativecommons.org/publicdomain/zero/1.0/"
)
_COMMENT = (
    "Takes of a note: banks 0, 1, 2 (kits: programs). Dead notes: 8, 9, 10. Slides: 16, 17, 18."
)

TAKES = 3
DEAD, SLIDE = 8, 16  # the first bank of each manner
_PROGRAMS = {32: basses.UPRIGHT, 33: basses.ELECTRIC}
_FULL = 32767.0
_In = TypeVar("_In")
_Out = TypeVar("_Out")


def written(path: Path) -> None:
    """Make the soundfont; the file appears whole or not at all."""
    with whole_file(path) as file:  # where it cannot be, that is known before all the work
        file.write(soundfont([*bass_presets(), *kit_presets()], _info()))


def _info() -> Info:
    return Info(f"{NAME} {VERSION}", "drillgen", LICENCE_TEXT, _COMMENT, "drillgen")


def _at_once(work: Callable[[_In], _Out], some: Iterable[_In]) -> list[_Out]:
    """What some work makes of each, on all cores: each has a chance of its own, and most of the
    time is spent in NumPy, which lets other threads go on."""
    with ThreadPoolExecutor() as pool:
        return list(pool.map(work, some))


def sixteen_bits(sound: Floats) -> NDArray[np.int16]:
    """Rounded to the nearest, at the very end, so that what machines reckon differently in the
    last bits makes no difference."""
    return np.clip(np.rint(sound * _FULL), -_FULL, _FULL).astype(np.int16)


# Basses.

_RELEASE = 0.22  # seconds to 100 dB below: a finger damps the string
_DEAD_TIME = 0.55  # seconds to 100 dB below
_SLIDE_WAIT, _SLIDE_TIME, _SLIDE_FROM = 0.03, 0.11, 200  # seconds; cents below
# The loudest pluck is the dark tone and all of the bright one, a softer one has less of it: by
# so many centibels more than the 960 by which the dark tone's level follows velocity (8.4.2).
_BRIGHT_BY_VELOCITY = 960 + 1000
# And a finger that plucks softly is soft: the filter closes, cents (8.1.3).
_SOFT_FILTER, _OPENS_BY = 7800, 5700
_GLIDE = 7  # cents by which the loudest pluck begins sharp, its string being stretched
_GLIDE_TIME = 0.16  # seconds


def bass_presets() -> Iterator[FontPreset]:
    """All presets of both basses."""
    for program, bass in _PROGRAMS.items():
        sounds = _Sounds(bass)
        for take in range(TAKES):
            plain = sounds.instrument(f"{bass.name} {take + 1}", take, {**_PLAIN})
            dead = sounds.instrument(f"{bass.name} dead {take + 1}", take, {**_DEADENED})
            yield FontPreset(plain.name, take, program, plain)
            slide = sounds.instrument(f"{bass.name} slide {take + 1}", take, {**_SLID})
            yield FontPreset(dead.name, DEAD + take, program, dead)
            yield FontPreset(slide.name, SLIDE + take, program, slide)


_SOFT = {"initialFilterFc": _SOFT_FILTER}
_PLAIN = {
    "releaseVolEnv": timecents(_RELEASE),
    "decayModEnv": timecents(_GLIDE_TIME),
    "sustainModEnv": 1000,
}
_DEADENED = {
    "releaseVolEnv": timecents(_RELEASE),
    "decayVolEnv": timecents(_DEAD_TIME),
    "sustainVolEnv": 1440,
}
_SLID = {
    "releaseVolEnv": timecents(_RELEASE),
    "holdModEnv": timecents(_SLIDE_WAIT),
    "decayModEnv": timecents(_SLIDE_TIME),
    "sustainModEnv": 1000,
    "modEnvToPitch": -_SLIDE_FROM,
}


class _Sounds:
    """The samples of one bass, and instruments that share them."""

    def __init__(self, bass: PluckedBass) -> None:
        self._bass = bass
        stopped = [(key, 0) for key in keys_with_samples(bass) if key not in _opens(bass)]
        plucked = [(key, take) for key in _opens(bass) for take in range(TAKES)]
        made = dict(zip(both := stopped + plucked, _at_once(self._pair, both), strict=True))
        self._stopped = {key: made[key, take] for key, take in stopped}
        self._open = {place: made[place] for place in plucked}

    def _pair(self, place: tuple[int, int]) -> tuple[Sample, Sample]:
        key, take = place
        made = tone(self._bass, key, take)
        name = f"{self._bass.name} {key}.{take}"
        return (
            Sample(f"{name} dark", sixteen_bits(made.dark), basses.DARK_RATE, key),
            Sample(f"{name} bright", sixteen_bits(made.bright), basses.RATE, key),
        )

    def instrument(self, name: str, take: int, generators: dict[str, int]) -> FontInstrument:
        """Two zones a key: the dark tone, and the bright one that velocity brings in."""
        zones = []
        for key in range(LOWEST, HIGHEST + 1):
            low = 0 if key == LOWEST else key
            high = 127 if key == HIGHEST else key
            for sample, modulators in zip(
                self._source(key, take), (_ALWAYS, _BY_VELOCITY), strict=True
            ):
                settings: Settings = {"keyRange": (low, high), **_SOFT, **generators}
                zones.append(Zone(sample, settings, modulators))
        return FontInstrument(name, tuple(zones))

    def _source(self, key: int, take: int) -> tuple[Sample, Sample]:
        """What serves a key's take: another pluck of an open string, else the nearest, the second
        nearest, … of the samples on the same string."""
        if key in _opens(self._bass):
            return self._open[key, take]
        string = string_of(self._bass.strings, key)
        there = [each for each in self._stopped if string_of(self._bass.strings, each) == string]
        return self._stopped[sorted(there, key=lambda each: abs(each - key))[take]]


def _opens(bass: PluckedBass) -> tuple[int, ...]:
    return bass.strings.open_keys


_ALWAYS: Sequence[Modulator] = (
    Modulator(VELOCITY_RISING, "modEnvToPitch", _GLIDE),
    Modulator(VELOCITY_RISING, "initialFilterFc", _OPENS_BY),
)
_BY_VELOCITY = (
    Modulator(VELOCITY_FALLING_CONCAVE, "initialAttenuation", _BRIGHT_BY_VELOCITY),
    *_ALWAYS,
)


# Kits.

_BRUSH_KIT, _STANDARD_KIT = 40, 0  # programs (General MIDI 2)
_PERCUSSION_BANK = 128  # 7.2
_OPEN_FILTER = 13500  # cents: 20 kHz, the filter's highest (8.1.3)
# A sweep gives way to the next one while that sets off.
_SWEEP = {
    "sampleModes": LOOPED,
    "releaseVolEnv": timecents(1.4),
    "overridingRootKey": SWEEP_KEY,
}
_RINGS = timecents(60.0)  # a stroke is not ended by letting go


def kit_presets() -> Iterator[FontPreset]:
    """Both kits, a program a take."""
    strokes = (*EVERY_KIT, *BRUSHES, *STICKS)
    made = dict(zip(strokes, _at_once(_stroke_zones, strokes), strict=True))
    shared = [made[stroke] for stroke in EVERY_KIT]
    brushes = [made[stroke] for stroke in BRUSHES] + [_sweep_zones()]
    sticks = [made[stroke] for stroke in STICKS]
    for name, program, own in (
        ("Brushes", _BRUSH_KIT, brushes),
        ("Sticks", _STANDARD_KIT, sticks),
    ):
        for take in range(TAKES):
            zones = tuple(takes[take] for takes in (*shared, *own))
            kit = FontInstrument(f"{name} {take + 1}", zones)
            yield FontPreset(kit.name, _PERCUSSION_BANK, program + take, kit)


def _stroke_zones(stroke: KitStroke) -> list[Zone]:
    """A stroke's zone in each take."""
    made = [_stroke_zone(stroke, take) for take in range(TAKES if stroke.takes else 1)]
    return made if stroke.takes else made * TAKES


def _stroke_zone(stroke: KitStroke, take: int) -> Zone:
    sample = Sample(
        f"{stroke.name} {take + 1}",
        sixteen_bits(struck(stroke, take)),
        percussion.RATE,
        stroke.key,
    )
    settings: Settings = {
        "keyRange": (stroke.key, stroke.key),
        "initialFilterFc": _OPEN_FILTER - stroke.softer,
        "pan": stroke.pan,
        "releaseVolEnv": _RINGS,
        "scaleTuning": 0,
        "overridingRootKey": stroke.key,
        **({"exclusiveClass": stroke.exclusive} if stroke.exclusive else {}),
    }
    return Zone(sample, settings, (Modulator(VELOCITY_RISING, "initialFilterFc", stroke.softer),))


def _sweep_zones() -> list[Zone]:
    """One sweep for all takes: it is never twice at the same place of its loop anyway."""
    left, right = (_sweep_sample(side) for side in ("left", "right"))
    zone = Zone(Pair(left, right), {"keyRange": (SWEEP_KEY, SWEEP_KEY), **_SWEEP})
    return [zone] * TAKES


def _sweep_sample(side: str) -> Sample:
    """The loop, with its own start once more behind it, which the synthesiser looks at."""
    sound, loop = sweep(side)
    content = sixteen_bits(np.concatenate([sound, sound[loop : loop + _BEHIND]]))
    # The loop is moved on, so that both its ends have the same sound before them too.
    ends = (loop + _BEHIND // 2, len(sound) + _BEHIND // 2)
    return Sample(f"sweep {side}", content, percussion.RATE, SWEEP_KEY, loop=ends)


_BEHIND = 64  # samples


def main(arguments: list[str]) -> int:
    """The exit code: 0, or 2 with one sentence where nothing was made."""
    if len(arguments) != 1 or not arguments[0].endswith(".sf2"):
        print(
            "python -m drillgen.bank.make FILE.sf2: name one file that ends in .sf2.",
            file=sys.stderr,
        )
        return 2
    path = Path(arguments[0])
    try:
        written(path)
    except OSError as error:
        print(f"{path} cannot be written: {error.strerror or error}.", file=sys.stderr)
        return 2
    print(f"{path}: {path.stat().st_size / 1e6:.1f} MB, {LICENCE}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
