"""A plucked stiff string, as the modes that it sounds.

Fletcher & Rossing, The Physics of Musical Instruments (2nd ed., 1998), chapter 2: the partials of a
stiff string (section 2.18), what a pluck at a point puts into each (2.7), and why they die (2.12:
the air, the string's own friction, the ends).  Two planes of vibration, of which one gives less to
the bridge and rings longer: Weinreich, "Coupled piano strings" (J. Acoust. Soc. Am. 62, 1977),
section on polarisation.  Velocities of a finger: Karjalainen, Välimäki & Tolonen, "Plucked-string
models" (Computer Music Journal 22(3), 1998), whose pluck is a low-pass that opens with strength.

A key's modes come with the chance of its sample: a finger never lands twice on the same place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drillgen.bank.chance import Chance, Floats
from drillgen.bank.modes import Modes, joined

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
