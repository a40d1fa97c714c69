"""Reading chords from audio: notes first, then the chord that they spell.

After M. Mauch & S. Dixon, "Approximate note transcription for the improved identification of
difficult chords", ISMIR 2010 (from memory): the spectrum of a stretch is whitened and explained as
a sum of notes, each with overtones that fall by a constant factor, by non-negative least squares.
What sounds low at the chord's beginning is the bass, the rest is treble.  A chord's score is the
treble's likeness to the template of the chord's quality (mir_eval's, after Harte et al., ISMIR
2005) and the strength of its root in the bass.

A plain chroma is no reading of a band with a bass: the bass's fundamental is ten times as strong as
any note of the chord, and each note's overtones (a fifth, a third, a seventh) spell other chords.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import librosa
import mir_eval
import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.optimize import nnls

Floats = NDArray[np.float64]

QUALITIES = ("maj7", "min7", "7")
_RATE, _HOP = 22050, 512  # samples a second, and from one frame to the next
_LOWEST, _HIGHEST = 28, 88  # MIDI keys: E1 to E6
_BINS, _OCTAVES = 36, 7  # of the spectrum: bins an octave
_OVERTONES, _FALL = 12, 0.6  # how many, and how strong each is against the one below it
_WHITENING = 0.7
_BASS_ENDS = 56  # MIDI key: a bass is played up to G3 …
_TREBLE_BEGINS = 50  # … chords from D3 on …
_TREBLE_ENDS = 78  # … and nobody comps above: cymbals and what is left of overtones
_SLOPES = 1.5, 2.0  # how softly one gives way to the other there, semitones


def spectrum(wav: Path) -> Floats:
    """Magnitudes of a file: a row a bin (from E1), a column a frame."""
    samples, rate = soundfile.read(wav)
    mono = librosa.resample(samples.mean(axis=1), orig_sr=rate, target_sr=_RATE)
    return np.asarray(np.abs(librosa.cqt(
        mono, sr=_RATE, hop_length=_HOP, fmin=librosa.midi_to_hz(_LOWEST),
        n_bins=_BINS * _OCTAVES, bins_per_octave=_BINS,
    )))  # fmt: skip


def heard(magnitudes: Floats, start: float, bass_ends: float, end: float) -> tuple[int, str]:
    """Root (pitch class) and quality of the chord in a stretch (seconds), its bass before
    `bass_ends`."""
    bass = _folded(_notes(_mean(magnitudes, start, bass_ends)), low=True)
    whole = _whitened(_mean(magnitudes, start, end) * _loudness())
    treble = _folded(_notes(whole), low=False)
    scores = {
        (root, quality): treble @ _template(root, quality) + bass[root]
        for root in range(12)
        for quality in QUALITIES
    }
    return max(scores, key=scores.__getitem__)


def plain(magnitudes: Floats, start: float, end: float) -> tuple[int, str]:
    """The same from a plain chroma and templates alone, for comparison."""
    mean = _mean(magnitudes, start, end)
    chroma = np.array([mean[3 * c :: _BINS].sum() for c in range(12)])
    chroma = np.roll(chroma, _LOWEST % 12)
    scores = {(r, q): chroma @ _template(r, q) for r in range(12) for q in QUALITIES}
    return max(scores, key=scores.__getitem__)


def _mean(magnitudes: Floats, start: float, end: float) -> Floats:
    first, last = (round(seconds * _RATE / _HOP) for seconds in (start, end))
    return np.asarray(magnitudes[:, first : max(last, first + 3)].mean(axis=1))


def _notes(bins: Floats) -> Floats:
    """How strongly each MIDI key sounds."""
    return np.asarray(nnls(_dictionary(), bins)[0])


def _folded(notes: Floats, *, low: bool) -> Floats:
    """Pitch classes of the bass, or of what lies above it; of length 1."""
    keys = np.arange(_LOWEST, _HIGHEST)
    below = 1 / (1 + np.exp((keys - _BASS_ENDS) / _SLOPES[0]))
    above = 1 / (1 + np.exp((_TREBLE_BEGINS - keys) / _SLOPES[0]))
    inside = 1 / (1 + np.exp((keys - _TREBLE_ENDS) / _SLOPES[1]))
    weighed = notes * (below if low else above * inside)
    classes = np.bincount(keys % 12, weights=weighed, minlength=12)
    return np.asarray(classes / (np.linalg.norm(classes) + 1e-9))


@cache
def _dictionary() -> Floats:
    """The bins of each key's note with its overtones, a column a key."""
    bins = np.arange(_BINS * _OCTAVES)
    columns = []
    for key in range(_LOWEST, _HIGHEST):
        column = np.zeros(len(bins))
        for number in range(1, _OVERTONES + 1):
            place = (key - _LOWEST) * _BINS / 12 + _BINS * np.log2(number)
            column += _FALL ** (number - 1) * np.exp(-((bins - place) ** 2) / 1.6)
        columns.append(column / np.linalg.norm(column))
    return np.array(columns).T


@cache
def _template(root: int, quality: str) -> Floats:
    bits: Any = mir_eval.chord.QUALITIES[quality]
    return np.asarray(np.roll(np.array(bits, float), root) / np.sqrt(sum(bits)))


@cache
def _loudness() -> Floats:
    """The ear's weight for each bin (A-weighting, IEC 61672, as in librosa)."""
    keys = _LOWEST + np.arange(_BINS * _OCTAVES) * 12 / _BINS
    return np.asarray(10 ** (librosa.A_weighting(librosa.midi_to_hz(keys)) / 20))


def _whitened(bins: Floats) -> Floats:
    """What stands out from half an octave on either side, made about equally strong everywhere."""
    window = np.hanning(_BINS + 1)
    window /= window.sum()

    def smooth(values: Floats) -> Floats:
        return np.convolve(np.pad(values, _BINS // 2, mode="reflect"), window, "valid")

    above = bins - smooth(bins)
    spread = np.sqrt(smooth(above**2))
    return np.asarray(np.maximum(above, 0.0) / (spread**_WHITENING + 1e-9))
