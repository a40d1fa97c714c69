"""The basses: strings, bodies, and each key as it is sampled.

A plucked stiff string is the modes that it sounds.

Fletcher & Rossing, The Physics of Musical Instruments (2nd ed., 1998), chapter 2: the partials of a
stiff string (section 2.18), what a pluck at a point puts into each (2.7), and why they die (2.12:
the air, the string's own friction, the ends).  Two planes of vibration, of which one gives less to
the bridge and rings longer: Weinreich, "Coupled piano strings" (J. Acoust. Soc. Am. 62, 1977),
section on polarisation.  Velocities of a finger: Karjalainen, Välimäki & Tolonen, "Plucked-string
models" (Computer Music Journal 22(3), 1998), whose pluck is a low-pass that opens with strength.

A key's modes come with the chance of its sample: a finger never lands twice on the same place.

A body, or a pickup and loudspeaker, makes a tone of the force of a string.

A softly plucked string is dark, a strongly plucked one bright (Karjalainen et al., see
`string_model`).  Both are of one piece here: the dark tone is a soft pluck, the bright one the
difference between a strong pluck and the soft one, mode by mode in phase, so that the soundfont can
blend from one to the other with velocity without a step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from drillgen.bank.modes import (
    Chance,
    Floats,
    Modes,
    added,
    audible,
    band,
    coloured,
    dying,
    faded,
    joined,
    ring,
    rising,
    seconds_to_fall,
    times,
)

A4, A4_KEY = 440.0, 69  # ISO 16:1975


@dataclass(frozen=True)
class Strings:
    """A set of strings and how it is played."""

    open_keys: tuple[int, ...]  # from the lowest
    stiffness: float  # B of Fletcher & Rossing's 2.67a, of an open string
    pluck: float  # of an open string's length, from the bridge
    nearest: float  # the hand's place on the shortest string, of its length
    softness: float  # by which a finger's width fills the gaps at a pluck's nodes
    tilt: float  # power of the partial's number by which the force at the bridge falls
    slow: float  # 1/s: what the bridge and the air take from every partial of the lowest string
    by_root: float  # 1/s at 1 kHz: friction in the air, as the root of frequency
    by_square: float  # 1/s at 1 kHz: friction inside the string, as the square of frequency
    stopped: float  # how much faster a string dies under a finger than open
    shorter: float  # power of frequency by which losses rise with the key
    second: float  # size of the second plane of vibration
    second_loss: float  # its losses, against the first's
    beat: float  # Hz between the two planes, on the lowest string


def hertz_of(key: float) -> float:
    """The frequency of a MIDI key in equal temperament."""
    return float(A4 * 2.0 ** ((key - A4_KEY) / 12.0))


def string_of(strings: Strings, key: int) -> int:
    """The open key of the string on which a key is played: the highest that has it."""
    return max((each for each in strings.open_keys if each <= key), default=strings.open_keys[0])


def partials(strings: Strings, key: int, top: float) -> tuple[Floats, Floats]:
    """Numbers and frequencies of a key's partials up to `top` Hz; the first is in tune."""
    first = hertz_of(key)
    stretch = strings.stiffness * 2.0 ** ((key - string_of(strings, key)) / 6.0)  # B goes as L^-2
    numbers = np.arange(1.0, np.ceil(top / first) + 1.0)
    hertz = numbers * first * np.sqrt((1 + stretch * numbers**2) / (1 + stretch))
    return numbers[hertz < top], hertz[hertz < top]


def plucked(strings: Strings, key: int, numbers: Floats, chance: Chance) -> Floats:
    """The force that each partial puts on the bridge, of a pluck without a finger's width."""
    fret = key - string_of(strings, key)
    place = strings.pluck * 2.0 ** (fret / 12.0) + chance.one(-0.025, 0.025)
    shape = np.sin(np.pi * numbers * min(place, strings.nearest))
    filled = np.sqrt(shape**2 + strings.softness**2)
    return np.asarray(filled / numbers**strings.tilt)


def losses(strings: Strings, key: int, hertz: Floats) -> Floats:
    """How fast each partial dies, as a rate in 1/s."""
    kilo = hertz / 1000.0
    fret = key - string_of(strings, key)
    finger = 1.0 if fret == 0 else strings.stopped
    grows = (hertz_of(key) / hertz_of(strings.open_keys[0])) ** strings.shorter
    return np.asarray(
        finger * grows * (strings.slow + strings.by_root * np.sqrt(kilo))
        + strings.by_square * kilo**2
    )


def two_planes(strings: Strings, key: int, hertz: Floats, size: Floats, phase: Floats) -> Modes:
    """Both planes of vibration of a key's partials."""
    t60 = np.log(1000.0) / losses(strings, key, hertz)
    apart = strings.beat * np.sqrt(hertz / hertz_of(strings.open_keys[0]))
    first = Modes(hertz, t60, size, phase)
    second = Modes(hertz + apart, t60 / strings.second_loss, size * strings.second, phase + 0.6)
    return joined(first, second)


class Resonance(NamedTuple):
    """One mode of a body."""

    hertz: float
    q: float
    size: float


# A double bass: the air in the body (A0) at about 60 Hz, the first modes of the plates (T1 and
# those above it) from 100 Hz on, the bridge's hill around 400 to 900 Hz.  Places of A0 and T1
# after Askenfelt, "Eigenmodes and tone quality of the double bass" (Catgut Acoust. Soc. Newsletter
# 38, 1982) and Fletcher & Rossing, section 10.15, both from memory; the rest and all sizes are
# our own, so that the sound carries to a small loudspeaker.
DOUBLE_BASS = (
    Resonance(61, 9, 1.0),
    Resonance(103, 11, 1.2),
    Resonance(152, 10, 0.8),
    Resonance(205, 11, 0.9),
    Resonance(262, 12, 0.8),
    Resonance(340, 12, 0.8),
    Resonance(455, 9, 0.9),
    Resonance(620, 6, 1.0),
    Resonance(900, 4, 0.9),
    Resonance(1400, 3, 0.6),
    Resonance(2300, 2.5, 0.35),
)
_STIFF = 0.35  # what a body passes on between its modes
_LOWEST = 48.0  # Hz: below the air mode a body radiates less and less


def body(hertz: Floats, resonances: tuple[Resonance, ...] = DOUBLE_BASS) -> Floats:
    """The level at which a body radiates: the sum of its modes, each a resonance of order 2."""
    total = np.zeros(len(hertz), dtype=np.complex128)
    for place, q, size in resonances:
        ratio = hertz / place
        total += size * (1j * ratio / q) / (1 - ratio**2 + 1j * ratio / q)
    return np.asarray(
        (np.abs(total) + _STIFF) / (1 + (_LOWEST / np.maximum(hertz, 1.0)) ** 4) ** 0.5
    )


# An electric bass: a pickup under the string sees a partial by where it lies between its nodes,
# and its coil rolls off above a resonance (Zollner, Physik der Elektrogitarre, 2014, chapter 5,
# from memory); the loudspeaker of a bass amplifier ends at some kHz (common practice).
_COIL_HZ, _COIL_Q = 2600.0, 1.1
_SPEAKER_HZ = 4200.0
_SPEAKER_LOW = 42.0


def pickup(numbers: Floats, hertz: Floats, place: float, wide: float) -> Floats:
    """The level of each partial in a pickup at `place` of the string's length from the bridge.

    `wide`: the length of string that it sees, as a part of the whole.
    """
    seen = np.abs(np.sin(np.pi * numbers * place)) + 0.12
    blurred = np.abs(np.sinc(numbers * wide))
    ratio = hertz / _COIL_HZ
    coil = 1.0 / np.sqrt((1 - ratio**2) ** 2 + (ratio / _COIL_Q) ** 2)
    speaker = (
        1.0 / np.sqrt(1 + (hertz / _SPEAKER_HZ) ** 6) / np.sqrt(1 + (_SPEAKER_LOW / hertz) ** 4)
    )
    return np.asarray(seen * blurred * coil * speaker)


LOWEST, HIGHEST = 28, 67  # E1 to G4
RATE = 32000
DARK_RATE = 16000  # the dark tone has next to nothing above 4 kHz
_TOP = 9000.0  # Hz
_LEVEL_TIME = 0.4  # seconds over which the keys are made equally loud
_LOUDNESS = 0.25  # RMS of the dark tone over that time, full scale 1
_EVEN = 0.16  # deviation of a partial's size from take to take, as a natural logarithm
_LOOSE = 1.3  # radians either way, over which takes spread a partial's phase
_CHIRP = 36.0  # partials: phases that grow with the square keep peaks low (Schroeder 1970)
_THIRDS = 3  # takes that are sure to differ: of an open string, or of neighbouring keys
_FALL = 20.0  # dB
_SHELF = (0.5, 2.0)  # the least and the most by which overtones are evened
_UNHEARD = 10 ** (-70 / 20)  # of the largest partial: smaller ones are left out
_ENDED = 10 ** (-62 / 20)  # of the peak: below it a sample ends


@dataclass(frozen=True)
class PluckedBass:
    """How one bass differs from another."""

    name: str
    strings: Strings
    response: Callable[[int, Floats, Floats], Floats]  # of key, numbers and Hz
    soft: float  # Hz: above it a soft pluck has less and less
    strong: float  # Hz: and a strong one
    order: float  # how steeply
    overtones: float  # share of the energy above 300 Hz
    falls: tuple[float, float]  # seconds to 20 dB below, of the lowest and the highest dark tone
    open_longer: float  # times that, on an open string
    growl: float  # how much the bright tone swells after the attack
    onset: float  # seconds in which the string gets away from the finger
    thump: tuple[float, float, float]  # knock of hand and body: Hz, seconds, level
    scrape: tuple[float, float, float]  # the fingertip leaving the string, likewise
    slap: tuple[float, float, float]  # the string against the fingerboard, likewise
    dark_seconds: tuple[float, float]  # length of the lowest and the highest dark tone
    bright_seconds: tuple[float, float]
    apart: int  # semitones between samples on the highest string


def _upright_response(key: int, numbers: Floats, hertz: Floats) -> Floats:
    del key, numbers
    return body(hertz)


_SCALE = 0.864  # metres: a long-scale electric bass (common practice)
_PICKUP = 0.155  # metres from the bridge
_SEEN = 0.024


def _electric_response(key: int, numbers: Floats, hertz: Floats) -> Floats:
    length = _SCALE * 2.0 ** (-(key - string_of(ELECTRIC_STRINGS, key)) / 12.0)
    return pickup(numbers, hertz, _PICKUP / length, _SEEN / length)


# Losses: so that a low open string falls by 20 dB in two to four seconds, a stopped one and
# higher ones sooner (as measured on free banks' recordings); friction's powers after Fletcher &
# Rossing.  Stiffness: some ten times a guitar's nylon, from memory.
UPRIGHT_STRINGS = Strings(
    open_keys=(28, 33, 38, 43),
    stiffness=3.0e-5,
    pluck=0.24,
    nearest=0.44,
    softness=0.16,
    tilt=0.75,
    slow=0.48,
    by_root=0.8,
    by_square=3.2,
    stopped=1.05,
    shorter=0.42,
    second=0.20,
    second_loss=0.75,
    beat=0.06,
)
ELECTRIC_STRINGS = Strings(
    open_keys=(28, 33, 38, 43),
    stiffness=5.0e-5,
    pluck=0.17,
    nearest=0.40,
    softness=0.10,
    tilt=0.9,
    slow=0.48,
    by_root=0.45,
    by_square=0.7,
    stopped=1.04,
    shorter=0.35,
    second=0.16,
    second_loss=0.8,
    beat=0.05,
)
UPRIGHT = PluckedBass(
    "Upright",
    UPRIGHT_STRINGS,
    _upright_response,
    soft=570.0,
    strong=3200.0,
    order=1.6,
    overtones=0.245,
    falls=(2.75, 0.85),
    open_longer=1.05,
    growl=0.45,
    onset=0.012,
    thump=(210.0, 0.10, 0.21),
    scrape=(1300.0, 0.070, 0.12),
    slap=(3200.0, 0.016, 0.07),
    dark_seconds=(4.8, 1.8),
    bright_seconds=(1.2, 0.5),
    apart=1,
)
ELECTRIC = PluckedBass(
    "Electric",
    ELECTRIC_STRINGS,
    _electric_response,
    soft=780.0,
    strong=4800.0,
    order=1.8,
    overtones=0.19,
    falls=(3.3, 1.3),
    open_longer=1.04,
    growl=0.15,
    onset=0.008,
    thump=(120.0, 0.06, 0.07),
    scrape=(1700.0, 0.045, 0.05),
    slap=(2800.0, 0.012, 0.05),
    dark_seconds=(5.0, 2.4),
    bright_seconds=(1.6, 0.7),
    apart=2,
)


@dataclass(frozen=True)
class BassTone:
    """A key's two sounds, full scale 1."""

    dark: Floats  # at DARK_RATE
    bright: Floats  # at RATE


def tone(bass: PluckedBass, key: int, take: int = 0) -> BassTone:
    """One key, plucked for the `take`-th time; all keys are equally loud."""
    chance = Chance(bass.name, key, take)
    modes = _modes(bass, key, take, chance)
    soft, strong = (_opened(bass, modes.hertz, opens) for opens in (bass.soft, bass.strong))
    modes = _levelled(modes, bass.overtones, bass.soft)
    modes = modes.longer(_fall(bass, key) / seconds_to_fall(modes.but(modes.size * soft), _FALL))
    dark = _sound(bass, modes.but(modes.size * soft), _between(bass.dark_seconds, key), DARK_RATE)
    bright = _sound(
        bass, modes.but(modes.size * (strong - soft)), _between(bass.bright_seconds, key), RATE
    )
    size = np.sqrt(np.mean(np.square(dark[: int(_LEVEL_TIME * DARK_RATE)])))
    dark, bright = dark * _LOUDNESS / size, bright * _LOUDNESS / size
    bright *= 1.0 - bass.growl * np.exp(-times(len(bright), RATE) / 0.06)
    dark = added(dark, _LOUDNESS * _burst(chance, bass.thump, DARK_RATE, 1.0))
    bright = added(
        bright,
        _LOUDNESS * _burst(chance, bass.scrape, RATE, 1.2),
        _LOUDNESS * _burst(chance, bass.slap, RATE, 0.7),
    )
    dark, bright = _ended(dark), _ended(bright)
    return BassTone(faded(dark, DARK_RATE, len(dark) / DARK_RATE / 4), faded(bright, RATE, 0.2))


def _ended(sound: Floats) -> Floats:
    """Without its end, where that is too soft to be heard."""
    heard = np.flatnonzero(np.abs(sound) > np.abs(sound).max() * _ENDED)
    return sound[: heard[-1] + 1]


def _levelled(modes: Modes, share: float, soft: float) -> Modes:
    """Overtones as strong in every key: what lies above 300 Hz has a share of the energy, as far as
    a gentle shelf of at most 6 dB can give it.

    A small loudspeaker has next to nothing below 300 Hz; where a body or a pluck leaves a key dull,
    it would be lost there.
    """
    plucked_softly = modes.size / (1.0 + (modes.hertz / (1.6 * soft)) ** 1.6)
    energy = np.square(plucked_softly)
    high, low = energy[modes.hertz > 300].sum(), energy[modes.hertz <= 300].sum()
    if high == 0 or low == 0:
        return modes
    gain = np.clip(np.sqrt(share / (1 - share) * low / high), *_SHELF)
    slope = 1.0 / (1.0 + (300.0 / modes.hertz) ** 4)
    return modes.but(modes.size * (1.0 + (gain - 1.0) * slope))


def _fall(bass: PluckedBass, key: int) -> float:
    """Seconds in which a key should fall by _FALL decibels: smoothly less up the neck, open
    strings a little more."""
    open_string = bass.open_longer if key in bass.strings.open_keys else 1.0
    return open_string * _between(bass.falls, key)


def _modes(bass: PluckedBass, key: int, take: int, chance: Chance) -> Modes:
    """Every partial of a very strong pluck."""
    numbers, hertz = partials(bass.strings, key, _TOP)
    size = plucked(bass.strings, key, numbers, chance) * bass.response(key, numbers, hertz)
    size = size * np.exp(_EVEN * chance.bell(len(numbers)))
    count = np.arange(len(numbers))
    turn = (key + take + count) % _THIRDS + chance.even(len(numbers), 0.2, 0.8)
    phase = _LOOSE * (2 * turn / _THIRDS - 1) + np.pi * count**2 / _CHIRP
    return audible(two_planes(bass.strings, key, hertz, size, phase), _UNHEARD)


def keys_with_samples(bass: PluckedBass) -> tuple[int, ...]:
    """Every key up to the highest open string, and every so many semitones above it."""
    highest = bass.strings.open_keys[-1]
    return (*range(LOWEST, highest + 1), *range(highest + 1, HIGHEST + 1, bass.apart))


def _opened(bass: PluckedBass, hertz: Floats, opens: float) -> Floats:
    """The share of each partial that a pluck of some softness has."""
    return np.asarray(1.0 / (1.0 + (hertz / opens) ** bass.order))


def _between(ends: tuple[float, float], key: int) -> float:
    """A key's value between the lowest's and the highest's, along a geometric line."""
    along = (key - LOWEST) / (HIGHEST - LOWEST)
    return float(ends[0] * (ends[1] / ends[0]) ** along)


def _sound(bass: PluckedBass, modes: Modes, seconds: float, rate: int) -> Floats:
    sound = ring(modes, int(seconds * rate), rate)
    return sound * rising(len(sound), rate, bass.onset)


def _burst(chance: Chance, kind: tuple[float, float, float], rate: int, wide: float) -> Floats:
    """A short noise of RMS `level` at its start, `wide` octaves about its middle either way."""
    hertz, seconds, level = kind
    count = int(4 * seconds * rate)
    noise = coloured(chance, count, rate, band(hertz * 2**-wide, hertz * 2**wide))
    return level * noise * dying(count, rate, 3 * seconds) * rising(count, rate, 0.002)
