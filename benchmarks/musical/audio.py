"""The rendered band, heard: its tempo and its chords."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import librosa
import numpy as np
import soundfile

from benchmarks.musical import hearing
from benchmarks.musical.figure import Figure, share
from drillgen import build
from drillgen.chart import Chart, charts
from drillgen.drill.lesson import load
from drillgen.theory.chords import Chord

TEMPOS = (60, 120, 200, 280)
BASSES = ("roots", "walking")
_DRILL = """\
title: Heard
progression: Dm7 | G7 | Cmaj7 | Cmaj7 | Fm7 | Bb7 | Ebmaj7 | Ebmaj7
key_cycle: [C, E, Ab]
passes: 2
gaps: none
line: off
timing: exact
"""
_LEVELS = (0.5, 2 / 3, 1.0, 1.5, 2.0)  # a tracker may count halves, or triplets' halves
_TRACKER = "librosa's beat tracker, told nothing; a line through its beats"
_READER = "36 seventh chords, mir_eval's templates on notes by NNLS (Mauch & Dixon 2010); own bar"
_PLAIN = "the same templates on a plain chroma: a reading that a bass drowns, told for comparison"
_QUALITIES = {"major-seventh": "maj7", "minor-seventh": "min7", "dominant": "7"}


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A chord from where it begins to where it, or the bar, ends; seconds."""

    start: float
    first_beat_ends: float
    end: float
    chord: Chord
    bars: int

    @property
    def expected(self) -> tuple[int, str]:
        return self.chord.root.pitch_class, _QUALITIES[self.chord.kind]


def audio() -> Iterator[Figure]:
    """Blind tempo, and which chord is read in each bar.

    A tracker told nothing may tap at half or twice the tempo: the nearest of these is taken.
    """
    for bass in BASSES:
        for bpm in TEMPOS:
            with tempfile.TemporaryDirectory() as folder:
                wav, chart = _rendered(Path(folder), bpm, bass)
                if bass == BASSES[0]:
                    yield _tempo(wav, bpm)
                yield from _chords(wav, chart, f"at {bpm}, bass {bass}")


def _rendered(folder: Path, bpm: int, bass: str) -> tuple[Path, Chart]:
    path = folder / "heard.yaml"
    band = f"band: {{drums: sticks, comping: piano, bass: {bass}}}\n"
    path.write_text(f"{_DRILL}{band}tempo: {bpm}\n", "utf-8")
    build(path, folder / "pack")
    manifest = json.loads((folder / "pack/manifest.json").read_text("utf-8"))
    wav = folder / "pack" / manifest["tracks"][0]["files"]["play-along"]
    return wav, charts(load(str(path)).drills[0])[0]


def _tempo(wav: Path, bpm: int) -> Figure:
    samples, rate = soundfile.read(wav)
    mono = samples.mean(axis=1)
    found = float(np.atleast_1d(librosa.beat.beat_track(y=mono, sr=rate)[0])[0])
    onsets = librosa.beat.beat_track(y=mono, sr=rate, units="time")[1]
    steps = np.median(np.diff(onsets)) if len(onsets) > 2 else 60 / found
    slope = np.polyfit(np.round((onsets - onsets[0]) / steps), onsets, 1)[0]
    off = min(abs(60 / slope / bpm / level - 1) for level in _LEVELS)
    return Figure(f"tempo of the audio at {bpm}, off by", 100 * off, (0, 1), _TRACKER, " %")


def _chords(wav: Path, chart: Chart, where: str) -> Iterator[Figure]:
    magnitudes = hearing.spectrum(wav)
    stretches, bars = _stretches(chart), _bars(chart)
    total = len(bars)

    def read(each: _Stretch) -> bool:
        return (
            hearing.heard(magnitudes, each.start, each.first_beat_ends, each.end) == each.expected
        )

    right = sum(each.bars for each in stretches if read(each))
    label = f"bars {where}, whose chord is read (one that stays, as a whole)"
    yield Figure(label, share(right, total), (90, 100), _READER, " %")
    label = f"bars {where}, each read alone"
    limits = (90.0, 100.0) if "roots" in where else None  # where the root is not below, none can
    yield Figure(label, share(sum(map(read, bars)), total), limits, _READER, " %")
    plainly = sum(hearing.plain(magnitudes, b.start, b.end) == b.expected for b in bars)
    yield Figure(f"bars {where}, by plain chroma", share(plainly, total), None, _PLAIN, " %")


def _bars(chart: Chart) -> list[_Stretch]:
    return [_from(chart, [number]) for number in _played(chart)]


def _stretches(chart: Chart) -> list[_Stretch]:
    """Each chord as long as it stays."""
    grouped = groupby(_played(chart), key=lambda number: _key(chart, number))
    return [_from(chart, list(numbers)) for _, numbers in grouped]


def _played(chart: Chart) -> list[int]:
    return [bar.number for bar in chart.bars if bar.form_bar >= 0]


def _key(chart: Chart, number: int) -> tuple[Chord | None, int]:
    bar = chart.bars[number]
    return bar.spans[0].chord, bar.pass_number


def _from(chart: Chart, numbers: Sequence[int]) -> _Stretch:
    first, last = chart.bars[numbers[0]], chart.bars[numbers[-1]]
    chord = first.spans[0].chord
    assert chord is not None
    return _Stretch(
        chart.seconds_at(first.start),
        chart.seconds_at(first.start + chart.drill.meter.beat),
        chart.seconds_at(last.start + last.length * 3 / 4),
        chord,
        len(numbers),
    )
