"""Mixing: exact samples, levels, pan and the room."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
import scipy

from drillgen.performance import Played
from drillgen.sound.mixer import BLOCK, PlacedSample, mixed, sides
from drillgen.sound.release import sample_at, strokes
from drillgen.sound.reverb import Reverb, response
from tests.sound.helpers import level, voice

TICK = np.ones((1, 1), np.float32)


def at(start: int, copy: Any = TICK) -> PlacedSample:
    return PlacedSample(start, copy, None, 0.0, None, 1.0, 1.0)


def whole(notes: list[PlacedSample], length: int, room: str = "off") -> Any:
    return np.concatenate(list(mixed(notes, length, room)), axis=1)


def test_samples_are_exact() -> None:
    """A sound stands on its very sample, also at and across the edges of blocks."""
    starts = [0, 1, BLOCK - 1, BLOCK, BLOCK + 1, 3 * BLOCK - 1]
    out = whole([at(start) for start in starts], 3 * BLOCK + 5000)
    assert np.flatnonzero(out[0]).tolist() == starts
    long_one = np.arange(1, 2 * BLOCK, dtype=np.float32)[None]
    out = whole([at(BLOCK - 7, long_one)], 4 * BLOCK)
    assert np.array_equal(out[1, BLOCK - 7 : 3 * BLOCK - 8], long_one[0])


@pytest.mark.parametrize("length", [1, 100, BLOCK, BLOCK + 1, 3 * BLOCK - 1])
def test_length_is_exact(length: int) -> None:
    """A track has exactly as many samples as asked for."""
    assert whole([at(0)], length, "small").shape == (2, length)


@pytest.mark.parametrize("tempo", [Fraction(72), Fraction(97), Fraction("133.3")])
def test_bars_for_an_hour(tempo: Fraction) -> None:
    """For an hour each beat is within one sample of where the tempo puts it, in exact fractions."""
    count = int(60 * tempo)
    notes = [Played(float(n * 60 / tempo), 0.1, 36, 84) for n in range(count)]
    found = [stroke.start for stroke in strokes(voice("bass", 32, notes))]
    exact = [n * 60 / tempo * 44100 for n in range(count)]
    assert len(found) == count
    assert max(abs(one - other) for one, other in zip(found, exact, strict=True)) <= 1
    assert sample_at(3600.0) == 158_760_000


def test_a_note_struck_again_ends() -> None:
    """A note that is still held when it is struck again ends there (MIDI has one of each key)."""
    notes = [Played(0.0, 2.0, 60, 84), Played(0.5, 1.0, 60, 84), Played(0.7, 0.2, 61, 84)]
    holds = [stroke.hold for stroke in strokes(voice("line", 0, notes))]
    assert holds == [sample_at(0.5), sample_at(1.0), sample_at(0.2)]


@pytest.mark.parametrize("pan", [-1.0, -0.4, 0.0, 0.25, 1.0])
def test_pan_keeps_power(pan: float) -> None:
    """Left and right together have the same power wherever a part stands (equal-power law)."""
    left, right = sides(-6.0, pan)
    assert left**2 + right**2 == pytest.approx(2 * 10 ** (-6 / 10))
    assert (left > right) == (pan < 0) or left == pytest.approx(right)


def test_the_end_is_faded() -> None:
    """A sound that the end of the track cuts off is led to nothing, without a step."""
    out = whole([at(0, np.ones((1, 50000), np.float32))], 44100)
    assert out[0, 40000] == 1
    assert np.abs(np.diff(out[0])).max() < 0.002
    assert abs(out[0, -1]) < 0.002


def low_passed(signal: Any, hertz: float) -> Any:
    filtering = scipy.signal.butter(12, hertz, fs=44100, output="sos")
    return scipy.signal.sosfilt(filtering, signal).astype(np.float32)


def test_room_is_a_convolution() -> None:
    """Block by block the room gives what convolving the whole with its response gives (NumPy).

    Of sound below 5.5 kHz; above, a room has little, and thinning out leaves no more than that.
    """
    random = np.random.default_rng(2)
    dry = (random.standard_normal((2, 30000)) * 0.1).astype(np.float32)
    dry = low_passed(dry, 5500.0)
    room = Reverb("small")
    out = np.concatenate([room(dry[:, n : n + 6930].copy()) for n in range(0, 30000, 6930)], axis=1)
    for channel in (0, 1):
        expected = np.convolve(dry[0] + dry[1], response("small")[channel])[:30000]
        error = out[channel] - dry[channel] - expected
        assert level(error) < level(expected) - 50


@pytest.mark.parametrize(("size", "reverberation"), [("small", 0.35), ("medium", 0.7)])
def test_reverberation_time(size: str, reverberation: float) -> None:
    """The room's tail falls by 60 dB in its reverberation time.

    By Schroeder's backward integration, between -5 and -25 dB, as ISO 3382 evaluates T20.
    """
    tail = response(size).astype(np.float64)
    energy = np.cumsum(np.square(tail).sum(axis=0)[::-1])[::-1]
    decay = 10 * np.log10(energy / energy[0] + 1e-12)
    first, last = (int(np.argmax(decay < threshold)) for threshold in (-5, -25))
    assert 3 * (last - first) / 44100 == pytest.approx(reverberation, rel=0.15)


def test_room_is_small() -> None:
    """The room is 18 dB below a dry sound in the middle, and differs left and right."""
    left, right = response("small").astype(np.float64)
    assert 10 * np.log10(4 * (left @ left + right @ right) / 2) == pytest.approx(-18, abs=0.5)
    assert abs(np.corrcoef(left, right)[0, 1]) < 0.5
    assert level(left) == pytest.approx(level(right), abs=2)
