"""Loudness and true peak against the standards' own cases and against other programs."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drillgen.sound.loudness import (
    LoudnessMeter,
    decibels,
    integrated,
    k_weighting,
    sample_peaks,
    true_peak,
)
from tests.sound.helpers import silence_around

# EBU Tech 3341 v4 (2023) Table 1; ITU-R BS.1770-5 (2023), filter table and 997 Hz check.
CASES = json.loads(
    (Path(__file__).parents[1] / "data" / "ebu_loudness_cases.json").read_text("utf-8")
)
RATES = (48000, 44100)


def sine(rate: int, seconds: float, dbfs: float, hz: float = 1000.0) -> Any:
    times = np.arange(round(rate * seconds)) / rate
    return (10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * times)).astype(np.float32)


def measured(rate: int, signal: Any, block: int = 50000) -> LoudnessMeter:
    meter = LoudnessMeter(rate, len(signal))
    for first in range(0, signal.shape[1], block):
        meter.feed(signal[:, first : first + block])
    return meter


@pytest.mark.parametrize(
    ("case", "rate"), [("1", 48000), *((case, 44100) for case in CASES["tech3341_integrated"])]
)
def test_ebu_integrated(case: str, rate: int) -> None:
    """Integrated loudness of EBU Tech 3341 cases 1 to 5 is within 0.1 LU of the table, at our own
    rate; of the first one at 48 kHz, too."""
    pieces = [sine(rate, seconds, level) for seconds, level in CASES["tech3341_integrated"][case]]
    mono = np.concatenate(pieces)
    found = integrated([measured(rate, np.stack([mono, mono]))])
    assert found == pytest.approx(CASES["expected_I_LUFS"][case], abs=CASES["tol_LU"])


@pytest.mark.parametrize("case", ["15", "16", "17", "18", "19"])
def test_ebu_true_peak(case: str) -> None:
    """True peak of EBU Tech 3341 cases 15 to 19 is within the table's +0.2 and -0.4 dB."""
    facts = CASES["tech3341_true_peak"][case]
    over, under = CASES["tech3341_true_peak"]["tol_dB"]
    cycle = int(facts["freq"].removeprefix("fs/"))
    places = np.arange(48000)
    signal = facts["amp"] * np.sin(2 * np.pi * places / cycle + math.radians(facts["phase_deg"]))
    signal *= np.clip(np.minimum(places, places[::-1]) / 4800, 0, 1)  # no click at the ends
    sound = signal[None].astype(np.float32)
    found = decibels(true_peak(sample_peaks(sound), silence_around(sound)))
    assert facts["dBTP"] + under <= found <= facts["dBTP"] + over


def test_coefficients() -> None:
    """The head filter at 48 kHz has the coefficients of BS.1770-5 Table 1."""
    b, a = k_weighting(48000)[0]
    assert b == pytest.approx(CASES["bs1770"]["stage1_b"], abs=1e-9)
    assert a == pytest.approx(CASES["bs1770"]["stage1_a"], abs=1e-9)


@pytest.mark.parametrize("rate", RATES)
def test_997_hz(rate: int) -> None:
    """A full-scale 997 Hz sine in one front channel reads -3.01 LKFS (BS.1770-5, Annex 1)."""
    signal = np.stack([sine(rate, 10, 0.0, 997.0), np.zeros(rate * 10, np.float32)])
    expected = CASES["bs1770"]["997Hz_0dBFS_single_front_channel_LKFS"]
    assert integrated([measured(rate, signal)]) == pytest.approx(expected, abs=0.02)


def test_against_pyloudnorm() -> None:
    """Noise that swells and fades reads as pyloudnorm reads it (within 0.1 LU)."""
    import pyloudnorm

    random = np.random.default_rng(3)
    swell = 0.02 + np.abs(np.sin(np.arange(44100 * 20) / 44100)) ** 4 * 0.3
    signal = random.standard_normal((2, len(swell))).cumsum(axis=1)
    signal = np.diff(signal - signal.mean(), axis=1, prepend=0) * swell
    expected = pyloudnorm.Meter(44100).integrated_loudness(signal.T)
    found = integrated([measured(44100, signal.astype(np.float32))])
    assert found == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("block", [441, 24576, 98304, 200000])
def test_blocks_do_not_matter(block: int) -> None:
    """The reading does not depend on the size of the blocks in which sound comes."""
    random = np.random.default_rng(4)
    signal = (random.standard_normal((2, 441000)) * 0.1).astype(np.float32)
    whole = integrated([measured(44100, signal, 441000)])
    assert integrated([measured(44100, signal, block)]) == pytest.approx(whole, abs=1e-4)


def test_silence() -> None:
    """Silence is below the absolute gate: no loudness, no peak."""
    silence = np.zeros((2, 100000), np.float32)
    assert integrated([measured(44100, silence)]) == -math.inf
    assert true_peak(sample_peaks(silence), silence_around(silence)) == 0.0


def test_together() -> None:
    """Two programmes are gated together: a quiet one does not pull a loud one down.

    BS.1770-5: blocks 10 LU below the first measure are left out, here all of the quiet one.
    """
    loud, quiet = (np.stack([s, s]) for s in (sine(44100, 20, -20), sine(44100, 20, -50)))
    both = integrated([measured(44100, loud), measured(44100, quiet)])
    assert both == pytest.approx(integrated([measured(44100, loud)]), abs=0.01)
