"""A recording, and what is measured of its sound: pitch by YIN, onsets by spectral flux, level.

Pitch: de Cheveigné & Kawahara, "YIN, a fundamental frequency estimator for speech and music",
J. Acoust. Soc. Am. 111:1917 (2002), steps 1 to 5, after a moving average that dulls cymbals.
Onsets: the rise of the logarithmic spectrum in bands (Bello et al., IEEE Trans. Speech Audio
Process. 13:1035, 2005).

Arrays are float32 or float64 of one channel at `RATE`; frame i of pitch and level lies round the
second `i * PITCH_HOP / RATE`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drillgen.take import HearingError, tables

if TYPE_CHECKING:
    from av.audio.frame import AudioFrame
    from av.audio.stream import AudioStream
    from av.container import InputContainer

Floats = NDArray[np.float64]
Sound = NDArray[np.float32]

_SOUND = tables()["sound"]
RATE: int = _SOUND["rate"]
PITCH_HOP: int = _SOUND["pitch"]["hop"]
_BLOCK = 2000  # frames at a time: what is held in memory
_QUIET = 1e-10  # power that counts as silence


@dataclass(frozen=True, slots=True)
class SoundFrames:
    """What is measured of a sound."""

    pitch: Floats  # MIDI key and cents, a value a pitch hop
    aperiodicity: Floats  # YIN's d' at the dip: 0 periodic, 1 not at all
    level: Floats  # dB against full scale
    bands: Sound  # dB in each band, shape (flux hops, bands)
    flux: Floats  # mean rise of the bands, dB, a value a flux hop


@dataclass(frozen=True, slots=True)
class RecordedSound:
    """A recording as it is listened to."""

    sound: Sound  # one channel at `RATE`
    seconds: float
    warnings: tuple[str, ...] = ()


LONGEST = 30 * 60  # seconds
_SHORTEST = 1.0
_ALLOWED = "allowed: WAV, FLAC, MP3, M4A, Opus and other audio files, and videos with sound"


def recording(path: Path) -> RecordedSound:
    """Read a recording, whatever its format, as one channel at `RATE`.

    Raises HearingError: there is none, nothing that libav can read, no sound in it, all of it
    silent, too short or too long; what is wrong but not fatal is in its `warnings`.
    """
    if not path.is_file():
        what = "is a folder" if path.is_dir() else "there is no such file"
        raise HearingError(f"{path}: {what}; name a recording")
    raw = _decoded(path)
    sides = raw.sides
    seconds = sides.shape[1] / RATE
    if seconds < _SHORTEST:
        raise HearingError(f"{path} is {seconds:.1f} s long: too short for an answer")
    warnings = [] if not raw.broken else ["a part of it is damaged and was left out"]
    if raw.rate < RATE:
        warnings.append(f"it has {raw.rate / 1000:g} kHz: beginnings of notes are told less surely")
    if raw.at_the_top > _CLIPPED:
        warnings.append("it is clipped: the microphone was too near, or its level too high")
    sound, said = one_channel(sides)
    peak = 20 * np.log10(max(float(np.abs(sound).max()), 1e-6))
    if peak < _SILENT:
        raise HearingError(
            f"{path} is silent (its loudest moment lies at {peak:.0f} dB): was the microphone on?"
        )
    return RecordedSound(sound, seconds, (*warnings, *said))


_SILENT = -60.0  # dB against full scale
_CLIPPED = 0.002  # share of the samples that lie at full scale
_FULL = 0.999
# Full scale of libav's sample formats; 8 bits are left out, where it is nothing strange.
_TOPS = {"int16": 2.0**15 - 1, "int32": 2.0**31 - 1, "float32": 1.0, "float64": 1.0}
_DEAD = 1e-4  # of the other side's power: 40 dB


@dataclass(slots=True)
class _Raw:
    """A file as it is decoded."""

    rate: int
    pieces: list[Sound] = field(default_factory=list)  # left and right, or one, at `RATE`
    tops: int = 0  # samples at full scale, as they lie in the file
    samples: int = 0
    broken: bool = False  # a part could not be read

    @property
    def sides(self) -> Sound:
        """Shape (1 or 2, n)."""
        return np.concatenate(self.pieces, axis=1)

    @property
    def at_the_top(self) -> float:
        """The share of samples at full scale."""
        return self.tops / max(self.samples, 1)

    def add(self, frame: AudioFrame, read: Sequence[AudioFrame]) -> None:
        """Take a frame, and what the resampler made of those so far."""
        values = frame.to_ndarray()
        if top := _TOPS.get(str(values.dtype)):
            self.tops += int(np.count_nonzero(np.abs(values / top) >= _FULL))
            self.samples += values.size
        self.keep(read)

    def keep(self, read: Sequence[AudioFrame]) -> None:
        """Keep what the resampler hands out."""
        self.pieces += [np.nan_to_num(each.to_ndarray().astype(np.float32)) for each in read]


def _decoded(path: Path) -> _Raw:
    import av

    try:
        with av.open(str(path)) as source:
            if not source.streams.audio:
                raise HearingError(f"{path} has no sound in it; {_ALLOWED}")
            if source.duration and source.duration / av.time_base > LONGEST:
                raise HearingError(_too_long(path, source.duration / av.time_base))
            raw = _read(path, source, source.streams.audio[0])
    except (av.FFmpegError, OSError, ValueError) as error:
        raise HearingError(f"{path} is no recording that can be read; {_ALLOWED}") from error
    if not raw.pieces:
        raise HearingError(f"{path} has no sound in it; {_ALLOWED}")
    return raw


def _read(path: Path, source: InputContainer, stream: AudioStream) -> _Raw:
    from av import AudioResampler, FFmpegError

    layout = "mono" if stream.codec_context.channels == 1 else "stereo"
    resampler = AudioResampler("fltp", layout, RATE)
    raw = _Raw(stream.rate)
    try:
        for frame in source.decode(stream):
            raw.add(frame, resampler.resample(frame))
            if frame.time is not None and frame.time > LONGEST:
                raise HearingError(_too_long(path, frame.time))
        raw.keep(resampler.resample(None))
    except FFmpegError:
        raw.broken = True
    return raw


def _too_long(path: Path, seconds: float) -> str:
    return (
        f"{path} is {seconds / 60:.0f} minutes long; at most {LONGEST // 60} can be heard at once:"
        " cut it, and name the pieces"
    )


def one_channel(sides: Sound) -> tuple[Sound, tuple[str, ...]]:
    """The middle of left and right; one of them where the other is dead, or its opposite."""
    if len(sides) == 1:
        return sides[0], ()
    powers = [float(np.square(side).mean()) for side in sides]
    louder = int(powers[1] > powers[0])
    if powers[1 - louder] < _DEAD * powers[louder]:
        return sides[louder], (f"only its {('left', 'right')[louder]} side has sound",)
    middle = sides.mean(axis=0)
    if float(np.square(middle).mean()) < _DEAD * powers[louder]:
        return sides[louder], ("its sides are each other's opposite: one of them was taken",)
    return middle, ()


def frames(sound: Sound) -> SoundFrames:
    """Measure a sound of one channel at `RATE`."""
    dulled = dull(sound)
    pitch, aperiodicity = yin(dulled)
    bands = band_levels(sound)
    return SoundFrames(pitch, aperiodicity, levels(dulled), bands, flux(bands))


def dull(sound: Sound) -> Sound:
    """The moving average of some samples: the first zero of its response is at RATE / width."""
    width = _SOUND["pitch"]["average"]
    kernel = np.full(width, 1 / width, np.float32)
    return np.convolve(sound, kernel, "same").astype(np.float32)


def _windows(sound: Sound, window: int, hop: int) -> Iterator[Sound]:
    """Windows round every hop, some at a time: shape (frames, window)."""
    padded = np.pad(sound, (window // 2, window))
    count = len(sound) // hop + 1
    for first in range(0, count, _BLOCK):
        last = min(first + _BLOCK, count)
        piece = padded[first * hop : (last - 1) * hop + window]
        yield np.lib.stride_tricks.sliding_window_view(piece, window)[::hop]


def yin(sound: Sound) -> tuple[Floats, Floats]:
    """Pitch (MIDI key and cents) and aperiodicity of every frame."""
    rules = _SOUND["pitch"]
    found = [_yin(block, rules) for block in _windows(sound, rules["window"], rules["hop"])]
    return np.concatenate([p for p, _ in found]), np.concatenate([a for _, a in found])


def _yin(block: Sound, rules: dict[str, float]) -> tuple[Floats, Floats]:
    longest, shortest = int(RATE / rules["from_hz"]), int(RATE / rules["to_hz"])
    normal = normalised(difference(block.astype(np.float64), longest))
    lags = _dips(normal, shortest, rules["first_dip"])
    rows = np.arange(len(normal))
    before, at, after = (normal[rows, lags + step] for step in (-1, 0, 1))
    bend = before - 2 * at + after
    shift = np.where(np.abs(bend) > 1e-12, 0.5 * (before - after) / np.where(bend, bend, 1), 0)
    hertz = RATE / (lags + np.clip(shift, -1, 1))
    return 69 + 12 * np.log2(hertz / 440), at


def difference(block: Floats, longest: int) -> Floats:
    """Equation 6: the squared difference of each frame and itself, so many samples later; the
    part that is compared is as long as the window leaves."""
    window = block.shape[1]
    part = window - longest - 1
    spectrum = np.fft.rfft(block)
    head = np.fft.rfft(np.pad(block[:, :part], ((0, 0), (0, window - part))))
    alike = np.fft.irfft(spectrum * np.conj(head), window)[:, : longest + 1]
    power = np.cumsum(np.pad(np.square(block), ((0, 0), (1, 0))), axis=1)
    moved = power[:, part : part + longest + 1] - power[:, : longest + 1]
    return np.asarray(np.maximum(power[:, part : part + 1] + moved - 2 * alike, 0))


def normalised(apart: Floats) -> Floats:
    """Equation 8: each difference by the mean of those at shorter lags; 1 at lag 0."""
    sums = np.cumsum(apart[:, 1:], axis=1)
    lags = np.arange(1, apart.shape[1])
    normal = np.ones_like(apart)
    np.divide(apart[:, 1:] * lags, sums, out=normal[:, 1:], where=sums > _QUIET)
    return normal


def _dips(normal: Floats, shortest: int, below: float) -> NDArray[np.int64]:
    """The lag of each frame: the first dip that is deep enough, else the deepest."""
    inner = normal[:, shortest:-1]
    dip = (inner <= normal[:, shortest - 1 : -2]) & (inner < normal[:, shortest + 1 :])
    deep = dip & (inner < below)
    lags = np.where(deep.any(axis=1), deep.argmax(axis=1), inner.argmin(axis=1))
    return np.asarray(lags + shortest)


def levels(sound: Sound) -> Floats:
    """Level of every frame, dB."""
    rules = _SOUND["level"]
    powers = [
        np.square(block).mean(axis=1) for block in _windows(sound, rules["window"], rules["hop"])
    ]
    return np.asarray(10 * np.log10(np.concatenate(powers).astype(np.float64) + _QUIET))


def band_levels(sound: Sound) -> Sound:
    """Level in each band at every hop, dB; what is `floor_db` below the highest counts as that."""
    rules = _SOUND["flux"]
    window = rules["window"]
    taper = np.hanning(window + 1)[:-1].astype(np.float32)
    found = []
    for block in _windows(sound, window, rules["hop"]):
        power = np.square(np.abs(np.fft.rfft(block * taper)))
        found.append(np.add.reduceat(power, _band_edges(), axis=1)[:, :-1])
    bands = np.concatenate(found)
    floor = bands.max(initial=_QUIET) * 10 ** (-rules["floor_db"] / 10)
    return np.asarray(10 * np.log10(np.maximum(bands, floor)), np.float32)


def flux(heights: Sound) -> Floats:
    """How much the bands rise, on the average, from `step` hops before to each hop, dB."""
    rises = np.zeros(len(heights))
    step = _SOUND["flux"]["step"]
    rises[step:] = np.maximum(heights[step:] - heights[:-step], 0).mean(axis=1)
    return rises


def _band_edges() -> list[int]:
    """The first bin of each band and of what is above the last: as wide as each other on a
    logarithmic scale, one bin at least."""
    rules = _SOUND["flux"]
    ratio = rules["to_hz"] / rules["from_hz"]
    edges: list[int] = []
    for number in range(rules["bands"] + 1):
        hertz = rules["from_hz"] * ratio ** (number / rules["bands"])
        edge = int(hertz * rules["window"] / RATE + 0.5)
        edges.append(max(edge, edges[-1] + 1) if edges else edge)
    return edges
