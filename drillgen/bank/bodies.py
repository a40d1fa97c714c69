"""What an instrument's body, or its pickup and loudspeaker, makes of the force of a string."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from drillgen.bank.chance import Floats


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
