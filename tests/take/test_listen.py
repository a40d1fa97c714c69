"""What is heard of a sound: pitches, beginnings, notes."""

from __future__ import annotations

import csv
from random import Random

import numpy as np
import pytest

from drillgen.take import AskedNote, AskedResponse, HeardNote
from drillgen.take.judge import Tuning, judge
from drillgen.take.listen import RATE, Sound, yin
from drillgen.take.notes import listen
from tests.conftest import DATA
from tests.pitch import pitch
from tests.take.sounds import Tone, hertz, plucked

LOWEST, HIGHEST = 28, 76  # E1, an upright's lowest string; E5


def sound_of(tones: list[Tone], seconds: float) -> Sound:
    return plucked(tones, seconds, RATE).astype(np.float32)


def test_pitches_are_those_of_the_table() -> None:
    """Every key from a bass's E1 to E5, at the frequency that the table of equal temperament (A4 =
    440 Hz, ISO 16) gives it, is heard as that key, within five cents."""
    rows = list(csv.DictReader((DATA / "equal_temperament_a440.csv").open(encoding="utf-8")))
    wanted = [row for row in rows if LOWEST <= int(row["midi"]) <= HIGHEST]
    assert len(wanted) == HIGHEST - LOWEST + 1
    tones = [Tone(0.1 + 0.4 * i, 0.35, float(row["hz"])) for i, row in enumerate(wanted)]
    heard = listen(sound_of(tones, 0.5 + 0.4 * len(tones)))
    assert len(heard) == len(wanted)
    off = [100 * (note.pitch - int(row["midi"])) for note, row in zip(heard, wanted, strict=True)]
    assert max(map(abs, off)) < 5, off


def test_a_wavering_note_is_followed() -> None:
    """Of a note that wavers by half a semitone most frames are read within 12 cents of where it is;
    the median is that of McLeod and Wyvill's method, another reader, within five cents."""
    time = np.arange(RATE) / RATE
    bent = 48 + 0.25 * np.sin(2 * np.pi * 5.5 * time)
    phase = 2 * np.pi * np.cumsum(440 * 2 ** ((bent - 69) / 12)) / RATE
    sound = (0.3 * sum(np.sin(n * phase) / n for n in range(1, 9))).astype(np.float32)
    ours, _ = yin(sound)
    inner = slice(10, 90)  # frames 10 ms apart, each around its moment
    apart = 100 * np.abs(ours[inner] - bent[:: RATE // 100][inner])
    assert np.percentile(apart, 80) < 12
    theirs = 69 + 12 * np.log2(pitch(sound, RATE, 60, 1000) / 440)
    assert abs(np.median(ours[inner]) - theirs) < 0.05
    assert np.ptp(ours[inner]) > 0.3  # it does waver


@pytest.mark.parametrize("noise", [0.0, 0.02], ids=["clean", "noise 20 dB below"])
def test_notes_by_mir_eval(noise: float) -> None:
    """Forty plucked notes of a bass, some repeated: mir_eval.transcription (onsets within 50 ms,
    pitches within 50 cents) gives an F measure of at least .97, the goal for plucked notes."""
    import mir_eval

    random = Random(3)
    keys = [random.choice((31, 33, 36, 38, 40, 43, 43, 45, 48)) for _ in range(40)]
    tones, at = [], 0.3
    for key in keys:
        length = random.choice((0.25, 0.4, 0.7))
        tones.append(Tone(at, length * 0.9, hertz(key + random.uniform(-0.3, 0.3))))
        at += length
    sound = sound_of(tones, at + 0.3)
    sound += np.random.default_rng(1).normal(0, noise, len(sound)).astype(np.float32)
    heard = listen(sound)
    score = mir_eval.transcription.precision_recall_f1_overlap(
        np.array([(tone.start, tone.start + tone.length) for tone in tones]),
        np.array([tone.hertz for tone in tones]),
        np.array([(note.start, note.end) for note in heard]),
        np.array([hertz(note.pitch) for note in heard]),
        offset_ratio=None,
    )[2]
    assert score >= 0.97


@pytest.mark.parametrize("seed", range(6))
def test_verdicts_agree_with_mir_eval(seed: int) -> None:
    """Of a response with slips, as many notes are right as mir_eval matches (onsets within 100 ms,
    pitches within 50 cents); what it matches not is another note, or missing."""
    import mir_eval

    random = Random(seed)
    asked, played = [], []
    for index in range(24):
        start, key = 1 + 0.5 * index, random.randrange(36, 60)
        asked.append(AskedNote(start, start + 0.4, key, ""))
        slip = random.random()
        if slip < 0.15:
            continue
        wrong = random.choice((-3, -2, -1, 1, 2, 3)) if slip < 0.3 else 0
        began = start + random.uniform(-0.09, 0.09)
        played.append(HeardNote(began, began + 0.35, key + wrong + random.uniform(-0.3, 0.3)))
    response = AskedResponse("C major", 1, 6, 1.0, 13.0, tuple(asked))
    found = judge(response, played, Tuning())
    matched = mir_eval.transcription.match_notes(
        np.array([(note.start, note.end) for note in asked]),
        np.array([hertz(note.key) for note in asked]),
        np.array([(note.start, note.end) for note in played]),
        np.array([hertz(note.pitch) for note in played]),
        onset_tolerance=0.1,
        offset_ratio=None,
    )
    assert found.right == len(matched)
    right = {index for index, _ in matched}
    for index, verdict in enumerate(found.verdicts):
        assert (verdict.verdict in ("wrong", "missing")) == (index not in right)
