"""A voice: words spoken by a formant synthesiser, and set into a track.

The synthesiser is that of D. H. Klatt, "Software for a cascade/parallel formant synthesizer", JASA
67:971-995, 1980: a voiced source and breath go through resonators in a row (the formants, and a
pole and a zero of the nose), the noise of friction through resonators side by side; all of them are
his equations 1 and 2.  The source is the polynomial pulse of Klatt & Klatt, JASA 87:820-857, 1990.
Parameters move from one sound's target to the next one's about the moment at which they meet.

Targets: vowels about the means of the men of Peterson & Barney, JASA 24:175-184, 1952, Table II
(the tests measure how near); consonants by Klatt's Tables II and III; both from memory.  Within
what a speaker varies, they, the poles of friction and the levels were chosen by eye and by a speech
recogniser (`python -m benchmarks.speech`): friction and breath are some 4 dB stronger than in a
still room, as they are in clear speech, since cymbals and chords lie over them.

Each word is as loud as any other: its loudest 400 ms have the loudness of a band's bass (ITU-R
BS.1770-5, as `loudness.py` has it).
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import cache
from math import pi
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drillgen.bank.modes import Chance
from drillgen.performance import Performance
from drillgen.score import QUICK, WORDS
from drillgen.sound.fluidsynth import HOP, RATE, Samples
from drillgen.sound.levels import BASS
from drillgen.sound.loudness import LoudnessMeter, gating_blocks, lufs
from drillgen.sound.mixer import PlacedSample, sides
from drillgen.sound.on_disk import Store
from drillgen.sound.release import sample_at

Floats = NDArray[np.float64]
_RATE = RATE // 2  # words are spoken at half of the track's rate, which friction fills
_STEP = 110  # samples, 5 ms: parameters stand still for so long, as in Klatt's program
_OFF = -90.0  # dB


class Pole(NamedTuple):
    """A resonance of friction."""

    hz: float
    width: float  # Hz
    level: float  # dB


class SpeechSound(NamedTuple):
    """The targets of a speech sound."""

    formants: tuple[float, float, float]  # Hz
    widths: tuple[float, float, float] = (60, 100, 150)  # Hz
    voice: float = 0.0  # dB against a vowel
    breath: float = _OFF  # dB
    friction: float = _OFF  # dB
    poles: tuple[Pole, ...] = ()  # of the friction
    nose: float = 0.0  # 1: the nose is open
    moves: float = 40.0  # ms in which the formants come here
    turns: float = 12.0  # ms in which voice and noise do


_S = (Pole(5000, 800, 0), Pole(7400, 1000, 0))
_SH = (Pole(2000, 250, -12), Pole(2700, 300, 0), Pole(3900, 500, -4), Pole(6000, 2000, -6))
_F = (Pole(1500, 1500, -4), Pole(4000, 3500, -3), Pole(7500, 4000, 0))
_LABIAL = (Pole(900, 700, 0), Pole(2200, 3000, -8))
_ALVEOLAR = (Pole(3500, 800, -3), Pole(5000, 1800, 0))

# A sound and a dot: its closure; a raised h: its breath.
SOUNDS: dict[str, SpeechSound] = {
    "i": SpeechSound((290, 2250, 2900), (50, 100, 140)),
    "iʰ": SpeechSound((290, 2250, 2900), (120, 150, 200), _OFF, -16, turns=15),
    "ɪ": SpeechSound((420, 1910, 2550), (50, 100, 140)),
    "e": SpeechSound((480, 2000, 2600)),
    "ɛ": SpeechSound((560, 1750, 2500), (50, 80, 120)),
    "æ": SpeechSound((660, 1720, 2410), (70, 110, 180)),
    "ɑ": SpeechSound((730, 1090, 2440), (100, 70, 160)),
    "a": SpeechSound((720, 1250, 2500), (90, 80, 150)),
    "ɝ": SpeechSound((490, 1350, 1690), (80, 70, 110)),
    "ə": SpeechSound((500, 1450, 2500)),
    "j": SpeechSound((310, 2250, 2950), (50, 100, 150), moves=120),
    "r": SpeechSound((310, 1060, 1400), (70, 100, 120), voice=-5, moves=60),
    "l": SpeechSound((330, 1050, 2880), (50, 100, 280), voice=-5, moves=45),
    "m": SpeechSound((300, 1200, 2130), (60, 150, 200), voice=-9, nose=1, moves=25),
    "n": SpeechSound((300, 1500, 2470), (60, 200, 250), voice=-9, nose=1, moves=30),
    "ŋ": SpeechSound((300, 2200, 2600), (60, 250, 300), voice=-6, nose=1),
    "s": SpeechSound((320, 1500, 2600), (200, 120, 200), _OFF, _OFF, -2, _S, turns=25),
    "ʃ": SpeechSound((300, 1840, 2750), (200, 100, 200), _OFF, _OFF, -8, _SH, turns=25),
    "f": SpeechSound((340, 1100, 2180), (200, 120, 180), _OFF, _OFF, -16, _F, moves=100, turns=40),
    "b.": SpeechSound((200, 900, 2150), (60, 110, 130), -18, moves=30, turns=6),
    "b": SpeechSound((250, 1000, 2150), (60, 110, 130), -8, _OFF, -12, _LABIAL, 0, 35, 4),
    "d.": SpeechSound((200, 1700, 2700), (60, 100, 170), -18, moves=30, turns=6),
    "d": SpeechSound((260, 1800, 2750), (60, 100, 170), -8, _OFF, -11, _ALVEOLAR, 0, 50, 4),
    "dʒ": SpeechSound((260, 2100, 2750), (60, 80, 270), _OFF, _OFF, -8, _SH, 0, 90, 8),
    "p.": SpeechSound((300, 1000, 2150), voice=_OFF, moves=30, turns=8),
    "p": SpeechSound((350, 1050, 2150), (250, 150, 220), _OFF, -12, -10, _LABIAL, turns=4),
    "pʰ": SpeechSound((400, 1100, 2300), (250, 120, 200), _OFF, -12, moves=50, turns=8),
    "t.": SpeechSound((300, 1700, 2700), voice=_OFF, moves=30, turns=8),
    "t": SpeechSound((350, 1800, 2650), (250, 120, 250), _OFF, -26, -9, _ALVEOLAR, turns=4),
    "tʰ": SpeechSound((400, 1750, 2600), (250, 120, 250), _OFF, -14, moves=50, turns=8),
}
# The formants that no sound moves, of a vocal tract of 17.5 cm, and their widths (Klatt 1980).
_HIGHER = ((4600.0, 400.0), (3750.0, 250.0), (3350.0, 200.0))
_NOSE, _NOSE_OPEN, _NOSE_WIDTH = 270.0, 450.0, 100.0  # Hz: the pole, the zero of an open nose
_FROM, _TO = 132.0, 98.0  # Hz: a word's voice falls from its first to its last sound
_WAVER = ((5.1, 0.006), (7.3, 0.004))  # Hz and share by which no voice is steady
_OPEN = 0.6  # of a period: the glottis
_TILT = 5000.0  # Hz: above it a voice falls by 6 dB an octave more
_BREATHY, _BREATH = 0.01, 0.35  # noise in the voice, and of breath alone, against the pulse
_IN_VOICE = 0.5  # of friction's and breath's size while the glottis is shut
_BEGINS, _ENDS = 0.006, 0.05  # seconds
_RINGS = 0.03  # seconds after a word's end
_VOWEL = 0.55  # the pulse's size after the formants of a vowel: friction is counted from it


class _Tracks(NamedTuple):
    """Parameters of a word, one an entry of `_STEP` samples."""

    formants: Floats  # (3, n), Hz
    widths: Floats  # (3, n), Hz
    voice: Floats  # factors
    breath: Floats
    friction: Floats
    nose: Floats
    sound: NDArray[np.int64]  # which of the word's sounds it is


def spoken(performance: Performance) -> tuple[PlacedSample, ...]:
    """The words of a track in their places."""
    return tuple(
        PlacedSample(
            sample_at(word.start),
            word_samples(word.text, word.quick),
            None,
            0.0,
            None,
            *sides(word.loudness, word.pan),
        )
        for word in performance.words
    )


@cache
def word_samples(text: str, quick: bool) -> Samples:
    """A word, shape (1, n), 44.1 kHz, as loud as a band's bass at 0 dB; kept on disk."""
    store = Store("words")
    code = Path(__file__).read_bytes() + repr(WORDS[text]).encode()
    address = hashlib.sha256(code + f" {text} {quick}".encode()).hexdigest()
    if (kept := store.get(address)) is not None:
        return kept[1]
    sound = _as_loud(_twice_the_rate(said(text, QUICK if quick else 1.0)))
    store.put(address, {}, sound)
    return sound


def _as_loud(sound: Floats) -> Samples:
    """With its loudest 400 ms on both sides at `BASS`."""
    padded = np.pad(sound, (4 * HOP, 4 * HOP + -len(sound) % HOP)).astype(np.float32)
    meter = LoudnessMeter(RATE)
    meter.feed(np.stack([padded, padded]))
    loudest = lufs([float(gating_blocks(meter.energies(), HOP).max())])
    return np.asarray(sound * 10 ** ((BASS - loudest) / 20), np.float32)[np.newaxis]


def _twice_the_rate(sound: Floats) -> Floats:
    """Samples between samples, by a windowed sinc."""
    places = np.arange(-31, 32) / 2
    kernel = np.sinc(places) * np.kaiser(63, 8.0)
    between = np.zeros(2 * len(sound))
    between[::2] = sound
    return np.asarray(np.convolve(between, kernel, "same"))


def said(text: str, pace: float = 1.0) -> Floats:
    """A word as the synthesiser speaks it, 22.05 kHz; `pace`: of its usual time."""
    row = [(SOUNDS[name], length * pace / 1000) for name, length in WORDS[text]]
    tracks = _tracks(row)
    count = len(tracks.voice) * _STEP
    noise = Chance("speech", text).bell(count)
    period = np.cumsum(_pitch(count, sum(length for _, length in row))) / _RATE % 1.0
    shut = np.where(period < _OPEN, 1.0, _IN_VOICE)
    voice = _by_sample(tracks.voice)
    modulated = np.where(voice > 0.05, shut, 1.0)
    source = _source(period, noise, voice) + _BREATH * noise * _by_sample(tracks.breath) * modulated
    return _tract(source, tracks) / _VOWEL + _friction(row, tracks, noise) * modulated


def _pitch(count: int, length: float) -> Floats:
    """Hz of each sample: a fall, as of a word that ends a sentence (common practice)."""
    seconds = np.arange(count) / _RATE
    wavers = sum(share * np.sin(2 * pi * hz * seconds) for hz, share in _WAVER)
    return np.asarray(np.interp(seconds, [0.0, length], [_FROM, _TO]) * (1 + wavers))


def _source(period: Floats, noise: Floats, voice: Floats) -> Floats:
    """Klatt & Klatt's pulse a t² - b t³ as it is heard from outside, that is its slope; a little
    noise is in it while the glottis is open."""
    open_for = period / _OPEN
    slope = np.where(open_for < 1, 2 * open_for - 3 * open_for**2, 0.0)
    keep = float(np.exp(-2 * pi * _TILT / _RATE))
    softened, last = [], 0.0
    for value in (slope * voice).tolist():
        last = (1 - keep) * value + keep * last
        softened.append(last)
    return np.asarray(softened) + _BREATHY * noise * voice * np.where(open_for < 1, 1.0, _IN_VOICE)


def _tract(source: Floats, tracks: _Tracks) -> Floats:
    """The cascade: nose, higher formants, then the ones that move."""
    still = np.ones(len(tracks.voice))
    zero = _NOSE + tracks.nose * (_NOSE_OPEN - _NOSE)
    sound = _resonated(
        _notched(source, zero, still * _NOSE_WIDTH), still * _NOSE, still * _NOSE_WIDTH
    )
    for hz, width in _HIGHER:
        sound = _resonated(sound, still * hz, still * width)
    for number in (2, 1, 0):
        sound = _resonated(sound, tracks.formants[number], tracks.widths[number])
    return sound


def _friction(row: Sequence[tuple[SpeechSound, float]], tracks: _Tracks, noise: Floats) -> Floats:
    """The parallel branch: noise through the poles of each sound that hisses."""
    hissing = [number for number, (sound, _) in enumerate(row) if sound.poles]
    heard = np.zeros(len(noise))
    still = np.ones(len(tracks.voice))
    for number in hissing:
        others = np.isin(tracks.sound, [other for other in hissing if other != number])
        own = np.diff(
            noise * _by_sample(np.where(others, 0.0, tracks.friction)), 2, prepend=[0.0, 0.0]
        )
        for pole in row[number][0].poles:
            size = 10 ** (pole.level / 20) / _hiss(pole.hz, pole.width)
            heard += size * _resonated(own, still * pole.hz, still * pole.width)
    return heard


@cache
def _hiss(hz: float, width: float) -> float:
    """How large noise is that has passed a pole."""
    still = np.ones(40)
    noise = np.diff(Chance("hiss").bell(40 * _STEP + 2), 2)
    return float(np.std(_resonated(noise, still * hz, still * width)))


def _tracks(row: Sequence[tuple[SpeechSound, float]]) -> _Tracks:
    ends = np.cumsum([length for _, length in row])
    count = round((ends[-1] + _RINGS) * _RATE / _STEP)
    times = (np.arange(count) + 0.5) * _STEP / _RATE
    edges = np.clip(np.minimum(times / _BEGINS, (ends[-1] - times) / _ENDS), 0, 1)

    def track(targets: Sequence[float], turns: Sequence[float]) -> Floats:
        """From target to target, each time within so many ms about the border of two sounds."""
        path = np.full(count, float(targets[0]))
        for number in range(1, len(row)):
            shorter = min(row[number - 1][1], row[number][1])
            width = min(turns[number] / 1000, 1.6 * shorter)
            share = np.clip((times - ends[number - 1]) / width + 0.5, 0, 1)
            path += (targets[number] - targets[number - 1]) * share**2 * (3 - 2 * share)
        return path

    sounds = [sound for sound, _ in row]
    pairs = list(zip([sounds[0], *sounds], sounds, strict=False))
    moves = [max(one.moves, other.moves) for one, other in pairs]
    turns = [min(one.turns, other.turns) for one, other in pairs]

    def size(levels: Sequence[float]) -> Floats:
        factors = [10 ** (level / 20) if level > _OFF else 0.0 for level in levels]
        return np.asarray(track(factors, turns) * edges)

    return _Tracks(
        np.stack([track([s.formants[n] for s in sounds], moves) for n in range(3)]),
        np.stack([track([s.widths[n] for s in sounds], moves) for n in range(3)]),
        size([s.voice for s in sounds]),
        size([s.breath for s in sounds]),
        size([s.friction for s in sounds]),
        track([s.nose for s in sounds], [20.0] * len(sounds)),
        np.minimum(np.searchsorted(ends, times), len(row) - 1),
    )


def _by_sample(track: Floats) -> Floats:
    """A parameter at every sample, drawn straight between its steps."""
    places = np.arange(len(track) * _STEP)
    return np.asarray(np.interp(places, (np.arange(len(track)) + 0.5) * _STEP, track))


def _coefficients(hz: Floats, width: Floats) -> tuple[Floats, Floats, Floats]:
    """A, B and C of Klatt's equation 2."""
    c = -np.exp(-2 * pi * width / _RATE)
    b = 2 * np.exp(-pi * width / _RATE) * np.cos(2 * pi * hz / _RATE)
    return 1 - b - c, b, c


def _resonated(sound: Floats, hz: Floats, width: Floats) -> Floats:
    """Klatt's equation 1: y(t) = A x(t) + B y(t-1) + C y(t-2)."""
    out: list[float] = []
    last = before = 0.0
    rows = zip(sound.reshape(-1, _STEP).tolist(), *_coefficients(hz, width), strict=True)
    for values, a, b, c in rows:
        a, b, c = float(a), float(b), float(c)
        for value in values:
            last, before = a * value + b * last + c * before, last
            out.append(last)
    return np.asarray(out)


def _notched(sound: Floats, hz: Floats, width: Floats) -> Floats:
    """Klatt's equation 3, an antiresonator: the mirror image of a resonator."""
    a, b, c = (np.repeat(each, _STEP) for each in _coefficients(hz, width))
    once, twice = np.pad(sound, (1, 0))[:-1], np.pad(sound, (2, 0))[:-2]
    return np.asarray((sound - b * once - c * twice) / a)
