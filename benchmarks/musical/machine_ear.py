"""How the machine that transcribed the counted basses hears: what is played against what it notes.

`data/walking_counts.json` was counted from pitches that a machine estimated, about 70 to 77 % of
them right.  Our own lines are compared with it as that machine would have noted them.  Its errors
are modelled as a displacement of each note by itself, with the probabilities below: read off the
counts, from the degrees under the first note of a chord (where 0.89 are roots in truth and 0.68 as
noted), and from the leaps of 11 and 13 semitones into a change, which are steps an octave astray.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_PITCH_CLASS_WRONG = {
    1: 0.032, -1: 0.032, 2: 0.02, -2: 0.02, 3: 0.011, -3: 0.011, 4: 0.02, -4: 0.01, 5: 0.015,
    -5: 0.02, 6: 0.014, -6: 0.014, 7: 0.022, -7: 0.006, -8: 0.005, 8: 0.003, 9: 0.002, -9: 0.002,
    10: 0.002, -10: 0.003,
}  # fmt: skip
_OCTAVE_WRONG = {12: 0.02, -12: 0.02}
_REACH = 12  # semitones: no error is wider
WIDER = 13  # how the counts note an interval wider than an octave


def errors() -> Array:
    """The probability of each displacement from -12 to 12 semitones."""
    found = np.zeros(2 * _REACH + 1)
    for semitones, probability in {**_PITCH_CLASS_WRONG, **_OCTAVE_WRONG}.items():
        found[semitones + _REACH] = probability
    found[_REACH] = 1 - found.sum()
    return found


def _clipped(widest: int) -> Array:
    """(noted from -13 to 13, exact from -widest to widest): wider intervals are noted as 13."""
    exact = np.arange(-widest, widest + 1)
    noted = np.clip(exact, -WIDER, WIDER) + WIDER
    return np.eye(2 * WIDER + 1)[:, noted]


def of_degrees() -> Array:
    """(noted, played) degree: what becomes of each of twelve."""
    found = np.zeros((12, 12))
    for semitones, probability in enumerate(errors(), -_REACH):
        for played in range(12):
            found[(played + semitones) % 12, played] += probability
    return found


def of_intervals() -> Array:
    """(noted -13 to 13, played -12 to 12): both notes may be misheard."""
    apart = np.convolve(errors(), errors()[::-1])  # of the second less the first, -24 to 24
    clip = _clipped(36)
    played = [np.concatenate([np.zeros(i), apart, np.zeros(24 - i)]) for i in range(25)]
    return np.array([clip @ row for row in played]).T


class Pairs:
    """Two intervals in a row: all three notes may be misheard."""

    def __init__(self) -> None:
        # The spectrum of the two displacements' distribution; 128 is wider than both together.
        self._size = 128
        e, n = errors(), range(2 * _REACH + 1)
        apart = np.zeros((self._size, self._size))
        for first in n:
            for second in n:
                for third in n:
                    p = e[first] * e[second] * e[third]
                    if p:
                        apart[second - first, third - second] += p
        self._spectrum = np.fft.fft2(apart)
        self._clip = _clipped(36)

    def noted(self, played: Array) -> Array:
        """(27, 27) as noted of (25, 25) as played."""
        wide = np.zeros((self._size, self._size))
        wide[24:49, 24:49] = played
        heard = np.fft.ifft2(np.fft.fft2(wide) * self._spectrum).real[:73, :73]
        return self._clip @ np.maximum(heard, 0) @ self._clip.T

    def back(self, noted: Array) -> Array:
        """(25, 25): for each pair played, the mean of some weight over what may be noted."""
        wide = np.zeros((self._size, self._size))
        wide[:73, :73] = self._clip.T @ noted @ self._clip
        found = np.fft.ifft2(np.fft.fft2(wide) * np.conj(self._spectrum)).real
        return found[24:49, 24:49]
