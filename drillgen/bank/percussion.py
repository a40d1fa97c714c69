"""Brushes, drums and cymbals: what each is made of, as tables, and how a table becomes a sound.

A drum is a skin (a few modes) and noise: of brush wires, of snares, of the stick.  A cymbal is a
plate (hundreds of modes) whose high partials come late: Fletcher & Rossing, The Physics of Musical
Instruments (2nd ed., 1998), chapter 18 for drums, 20 for cymbals.  A brush is a bundle of wires
that do not land at once; drawn over a rough head it makes noise for as long as it moves.  Where no
source stands, times and colours are ours, set beside free banks' recordings
(`benchmarks.sounds`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from drillgen.bank.modes import (
    Chance,
    Floats,
    Modes,
    added,
    band,
    coloured,
    dying,
    faded,
    ring,
    rising,
    times,
)

RATE = 44100
# Frequencies of an ideal membrane's modes against the lowest: the zeros of the Bessel functions
# (Fletcher & Rossing, table 3.1: 01, 11, 21, 02, 31, 12, 41, 22).
_MEMBRANE = np.array([1.0, 1.594, 2.136, 2.296, 2.653, 2.918, 3.156, 3.501])
_EVEN = 0.12  # deviation of a part's level from take to take, as a natural logarithm


@dataclass(frozen=True)
class Noise:
    """A burst of noise."""

    low: float  # Hz
    high: float
    t60: float  # seconds
    level: float  # RMS at its start
    rise: float = 0.001  # seconds
    hits: int = 1  # wires or groups of wires that land one after another
    within: float = 0.0  # seconds


@dataclass(frozen=True)
class Skin:
    """A drumhead, or a piece of wood with `ratios` of its own."""

    hertz: float
    t60: float  # seconds, of the lowest mode
    level: float
    tilt: float = 1.0  # power of the ratio by which higher modes are smaller
    ratios: tuple[float, ...] = tuple(_MEMBRANE)
    rise: float = 0.001


@dataclass(frozen=True)
class Plate:
    """A cymbal: modes as dense everywhere, as a plate's are (Fletcher & Rossing, 3.5)."""

    modes: int
    low: float  # Hz
    high: float
    t60: float  # seconds, at 1 kHz
    shorter: float  # power of frequency by which high modes are shorter
    level: float  # RMS at the start
    middle: float  # Hz at which modes are largest
    wide: float  # octaves
    rise: float = 0.002
    sizes: float = 0.6  # deviation of modes' sizes, as a natural logarithm


Part = Noise | Skin | Plate


@dataclass(frozen=True)
class KitStroke:
    """A key of the kit."""

    name: str
    key: int
    level: float  # dB: RMS of the first 0.15 s at full velocity, full scale 0
    seconds: float
    parts: tuple[Part, ...]
    pan: int = 0  # tenths of a per cent, -500 (left) to 500
    exclusive: int = 0  # class of which each cuts off the others
    takes: bool = True  # whether each take is a sound of its own
    softer: int = 2900  # cents by which the filter is lower at the softest than at the loudest


_BOTH_HATS = 1
_WIRES = (900.0, 7500.0)
_SNARE = Skin(196.0, 0.22, 0.5, 1.2)
_RIDE = Plate(300, 280.0, 15000.0, 9.0, 0.72, 1.0, 4600.0, 1.6, sizes=0.7)

BRUSHES = (
    KitStroke(
        "brush tap",
        38,
        -22.0,
        0.6,
        (
            Noise(*_WIRES, 0.16, 1.0, 0.0015, hits=7, within=0.007),
            Noise(2500, 9000, 0.32, 0.16, 0.004),
            Skin(205.0, 0.20, 0.42, 1.1),
        ),
        pan=60,
    ),
    KitStroke(
        "brush slap",
        39,
        -20.0,
        0.6,
        (
            Noise(700, 8500, 0.13, 1.0, 0.001, hits=12, within=0.012),
            Noise(3000, 10000, 0.30, 0.14, 0.006),
            Skin(190.0, 0.13, 0.6, 1.0),
        ),
        pan=60,
    ),
)
STICKS = (
    KitStroke(
        "snare",
        38,
        -16.0,
        0.8,
        (
            _SNARE,
            Skin(331.0, 0.16, 0.3, 1.2),
            Noise(1500, 9500, 0.32, 0.75, 0.0015),
            Noise(2500, 12000, 0.05, 1.2, 0.0004),
        ),
        pan=60,
    ),
    KitStroke(
        "rim shot",
        40,
        -15.5,
        0.8,
        (
            _SNARE,
            Skin(412.0, 0.14, 0.8, 0.7),
            Noise(1500, 9500, 0.32, 0.65, 0.0015),
            Noise(1800, 9000, 0.04, 2.0, 0.0003),
        ),
        pan=60,
    ),
)
EVERY_KIT = (
    KitStroke(
        "bass drum",
        36,
        -11.0,
        0.9,
        (
            Skin(64.0, 0.40, 1.0, 1.5, rise=0.003),
            Skin(118.0, 0.20, 0.6, 1.3, rise=0.002),
            Noise(250, 2200, 0.035, 0.16, 0.002),
        ),
    ),
    KitStroke(
        "side stick",
        37,
        -18.5,
        0.5,
        (
            Skin(430.0, 0.09, 1.0, 0.4, ratios=(1.0, 1.93, 2.62, 3.9, 5.2)),
            Noise(1200, 6500, 0.04, 0.6, 0.0004),
            Skin(196.0, 0.16, 0.12),
        ),
        pan=60,
        takes=False,
    ),
    KitStroke(
        "closed hi-hat",
        42,
        -25.0,
        0.5,
        (
            Plate(160, 900.0, 15000.0, 0.42, 0.35, 1.0, 8000.0, 1.1),
            Noise(5000, 14000, 0.09, 0.5, 0.0006),
        ),
        pan=-140,
        exclusive=_BOTH_HATS,
    ),
    KitStroke(
        "pedal hi-hat",
        44,
        -24.5,
        0.5,
        (
            Plate(160, 500.0, 13000.0, 0.30, 0.30, 1.0, 5200.0, 1.2, rise=0.004),
            Noise(2600, 12000, 0.11, 0.9, 0.003, hits=3, within=0.006),
            Skin(320.0, 0.07, 0.4),
        ),
        pan=-140,
        exclusive=_BOTH_HATS,
    ),
    KitStroke(
        "open hi-hat",
        46,
        -23.0,
        2.4,
        (
            Plate(240, 500.0, 15500.0, 2.6, 0.35, 1.0, 7000.0, 1.2, rise=0.004),
            Noise(5000, 14000, 0.9, 0.35, 0.012),
        ),
        pan=-140,
        exclusive=_BOTH_HATS,
        takes=False,
    ),
    KitStroke(
        "hi-hat splash",  # with the foot: the cymbals meet and part at once
        84,
        -23.5,
        1.8,
        (
            Plate(220, 450.0, 14500.0, 1.9, 0.4, 1.0, 5600.0, 1.2, rise=0.010),
            Noise(3500, 12000, 0.5, 0.4, 0.016),
        ),
        pan=-140,
        exclusive=_BOTH_HATS,
        takes=False,
    ),
    KitStroke(
        "ride cymbal",  # on the bow, with the stick's tip
        51,
        -21.0,
        4.0,
        (
            _RIDE,
            Plate(140, 5500.0, 16000.0, 2.6, 0.5, 0.45, 9000.0, 0.9, rise=0.028),
            # The stick's tip: its click, and the knock of its wood.
            Noise(2600, 9500, 0.028, 2.6, 0.0004),
            Noise(6000, 16000, 0.018, 4.5, 0.0004),
            Noise(380, 1300, 0.035, 1.1, 0.0006),
        ),
        pan=180,
    ),
    KitStroke(
        "ride shoulder",  # on the edge, with the stick's shoulder
        59,
        -19.5,
        4.0,
        (
            Plate(460, 180.0, 15500.0, 9.5, 0.70, 1.0, 3400.0, 1.7, rise=0.006),
            Plate(160, 4500.0, 16000.0, 2.6, 0.3, 0.7, 8000.0, 1.0, rise=0.035),
        ),
        pan=180,
        takes=False,
    ),
    KitStroke(
        "ride bell",
        53,
        -20.5,
        4.0,
        (
            Plate(16, 620.0, 6200.0, 6.0, 0.35, 1.0, 2600.0, 1.1, sizes=0.4),
            Plate(260, 400.0, 15000.0, 8.5, 0.7, 0.42, 5200.0, 1.4),
            Noise(3000, 10000, 0.02, 1.6, 0.0004),
        ),
        pan=180,
        takes=False,
    ),
    KitStroke(
        "crash cymbal",
        49,
        -13.5,
        3.6,
        (
            Plate(440, 150.0, 15500.0, 4.2, 0.5, 1.0, 3600.0, 1.8, rise=0.006),
            Plate(160, 4500.0, 16000.0, 2.2, 0.3, 0.8, 8000.0, 1.0, rise=0.03),
        ),
        pan=-200,
        takes=False,
    ),
    KitStroke(
        "low tom",
        45,
        -14.0,
        1.4,
        (Skin(98.0, 0.9, 1.0, 1.1), Noise(400, 3500, 0.05, 0.35, 0.001)),
        pan=200,
        takes=False,
    ),
    KitStroke(
        "high tom",
        48,
        -14.0,
        1.2,
        (Skin(152.0, 0.7, 1.0, 1.1), Noise(500, 4000, 0.05, 0.35, 0.001)),
        pan=-60,
        takes=False,
    ),
    KitStroke(
        "high woodblock",
        76,
        -17.5,
        0.4,
        (Skin(1020.0, 0.11, 1.0, 0.8, (1.0, 1.47, 2.41)), Noise(1500, 6000, 0.02, 0.4, 0.0004)),
        takes=False,
    ),
    KitStroke(
        "low woodblock",
        77,
        -17.0,
        0.4,
        (Skin(740.0, 0.13, 1.0, 0.8, (1.0, 1.47, 2.41)), Noise(1100, 5000, 0.02, 0.4, 0.0004)),
        takes=False,
    ),
)


def struck(stroke: KitStroke, take: int = 0) -> Floats:
    """A stroke's sound at RATE, full scale 1."""
    chance = Chance(stroke.name, take)
    count = int(stroke.seconds * RATE)
    parts = [
        _part(part, chance, count) * np.exp(_EVEN * chance.bell(1)[0]) for part in stroke.parts
    ]
    sound = added(*parts)
    loud = np.sqrt(np.mean(np.square(sound[: int(0.15 * RATE)])))
    # The sharpest peaks are rounded off rather than the whole stroke made softer.
    sound = np.tanh(sound * 10 ** (stroke.level / 20) / loud)
    return faded(sound, RATE, stroke.seconds / 4)


def _part(part: Part, chance: Chance, count: int) -> Floats:
    if isinstance(part, Noise):
        return _noise(part, chance, count)
    modes = _skin(part, chance) if isinstance(part, Skin) else _plate(part, chance)
    return ring(modes, count, RATE) * rising(count, RATE, part.rise)


def _noise(part: Noise, chance: Chance, count: int) -> Floats:
    """All wires of a burst: each with noise of its own, the first at once."""
    delays = np.concatenate([[0.0], chance.even(part.hits - 1, 0.0, part.within)])
    sizes = chance.even(part.hits, 0.5, 1.0) / np.sqrt(part.hits)
    whole = np.zeros(count)
    length = min(count, int(part.t60 * 1.5 * RATE) + 64)
    level = dying(length, RATE, part.t60) * rising(length, RATE, part.rise)
    for delay, size in zip(delays, sizes, strict=True):
        wire = coloured(chance, length, RATE, band(part.low, part.high)) * level * size
        first = int(delay * RATE)
        last = min(count, first + length)
        whole[first:last] += part.level * wire[: last - first]
    return whole


def _skin(part: Skin, chance: Chance) -> Modes:
    ratios = np.array(part.ratios)
    sizes = ratios**-part.tilt * np.exp(0.25 * chance.bell(len(ratios)))
    return Modes(
        part.hertz * ratios,
        part.t60 / np.sqrt(ratios),
        part.level * sizes,
        chance.even(len(ratios), -0.6, 0.6),
    )


def _plate(part: Plate, chance: Chance) -> Modes:
    """Modes at even distances, each moved at random; the largest about the middle frequency."""
    even = (np.arange(part.modes) + chance.even(part.modes)) / part.modes
    hertz = part.low + (part.high - part.low) * even
    colour = np.exp(-0.5 * np.square(np.log2(hertz / part.middle) / part.wide))
    sizes = colour * np.exp(part.sizes * chance.bell(part.modes))
    sizes *= part.level / np.sqrt(np.square(sizes).sum() / 2)
    t60 = part.t60 * (hertz / 1000.0) ** -part.shorter
    return Modes(hertz, t60, sizes, chance.even(part.modes, 0.0, 2 * np.pi))


# The sweep of a brush over the head, round and round: a loop, so that it lasts as long as it is
# asked to.  Each side of the stereo picture has noise of its own.

SWEEP_KEY = 40
SWEEP_LEVEL = -36.0  # dB, RMS
_SWEEP_SECONDS = 2.6
_SWEEP_COLOUR: tuple[tuple[float, float, float], ...] = (
    (700.0, 3200.0, 1.0),  # Hz, Hz, level: the head
    (3000.0, 7000.0, 0.42),  # the wires
)
# How each stroke of a sweep begins: by so much louder, so that what is heard is the meter of the
# strokes and not the round of the loop.
_SWELL_SECONDS, _SWELL, _SWELL_RISE = 0.8, 3.0, 0.03
_GRAINS = 900  # a second: wires that catch and slip
_ROUGH = 0.35  # how uneven the grains make it
_CIRCLES = 5  # in a loop: the hand presses harder on one side of the circle
_PRESSES = 0.12


def sweep(side: str, take: int = 0) -> tuple[Floats, int]:
    """One side of the sweep at RATE, and the sample at which its loop begins: the hand sets off
    with a swell, then goes round.  The end of the loop leads into its start."""
    loop = _circles(Chance("sweep", side, take))
    ahead = int(_SWELL_SECONDS * RATE)
    swell = 1.0 + _SWELL * dying(ahead, RATE, _SWELL_SECONDS)
    start = loop[-ahead:] * swell * rising(ahead, RATE, _SWELL_RISE)
    return np.concatenate([start, loop]), ahead


def _circles(chance: Chance) -> Floats:
    count = int(_SWEEP_SECONDS * RATE)
    noise = np.zeros(count)
    for low, high, level in _SWEEP_COLOUR:
        noise += level * coloured(chance, count, RATE, band(low, high, 2.5))
    rough = 1.0 + _ROUGH * coloured(chance, count, RATE, _slower_than(_GRAINS))
    turns = 2 * np.pi * _CIRCLES * times(count, RATE) / _SWEEP_SECONDS
    sound = noise * np.maximum(rough, 0.0) * (1.0 + _PRESSES * np.sin(turns))
    return np.asarray(sound * 10 ** (SWEEP_LEVEL / 20) / np.sqrt(np.mean(np.square(sound))))


def _slower_than(hertz: float) -> Callable[[Floats], Floats]:
    return band(20.0, hertz, 2.0)
