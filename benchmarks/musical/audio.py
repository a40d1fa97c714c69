"""The rendered band, heard by librosa: its tempo and its chords."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from benchmarks.musical.figure import Figure, share
from drillgen import build
from drillgen.chart import charts
from drillgen.drill.models import Drill
from drillgen.theory.chords import Chord
from drillgen.theory.keys import Key
from drillgen.theory.voicings import tones

TEMPOS = (60, 120, 200, 280)
_DRILL = """\
title: Heard
progression: Dm7 | G7 | Cmaj7 | Cmaj7 | Fm7 | Bb7 | Ebmaj7 | Ebmaj7
key_cycle: [C, E, Ab]
passes: 2
gaps: none
line: off
band: {drums: sticks, comping: piano, bass: roots}
timing: exact
"""
_LEVELS = (0.5, 2 / 3, 1.0, 1.5, 2.0)  # a tracker may count halves, or triplets' halves
_TRACKER = "librosa's beat tracker, told nothing; a line through its beats"
_CHROMA = "librosa chroma_cqt, root and voicing against 12 transpositions, roots in the bass"


def audio() -> Iterator[Figure]:
    """Blind tempo, and the chord that is strongest in each bar's chroma.

    A tracker told nothing may tap at half or twice the tempo: the nearest of these is taken.
    """
    import librosa
    import numpy as np

    for bpm in TEMPOS:
        samples, rate, bars = _rendered(bpm)
        found = float(np.atleast_1d(librosa.beat.beat_track(y=samples, sr=rate)[0])[0])
        onsets = librosa.beat.beat_track(y=samples, sr=rate, units="time")[1]
        steps = np.median(np.diff(onsets)) if len(onsets) > 2 else 60 / found
        slope = np.polyfit(np.round((onsets - onsets[0]) / steps), onsets, 1)[0]
        off = min(abs(60 / slope / bpm / level - 1) for level in _LEVELS)
        yield Figure(f"tempo of the audio at {bpm}, off by", 100 * off, (0, 1), _TRACKER, " %")
        right = share(sum(_strongest(samples, rate, bar) for bar in bars), len(bars))
        label = f"bars at {bpm} whose chord is strongest in the chroma"
        yield Figure(label, right, (90, 100), _CHROMA, " %")


def _rendered(bpm: int) -> tuple[Any, int, list[tuple[float, float, frozenset[int]]]]:
    """Mono samples, their rate, and each bar's start, end (seconds) and pitch classes."""
    import soundfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "heard.yaml"
        path.write_text(_DRILL + f"tempo: {bpm}\n", "utf-8")
        build(path, Path(folder) / "pack")
        manifest = json.loads((Path(folder) / "pack/manifest.json").read_text("utf-8"))
        wav = Path(folder) / "pack" / manifest["tracks"][0]["files"]["play-along"]
        samples, rate = soundfile.read(wav)
    from ruamel.yaml import YAML

    drill = Drill.model_validate({**YAML(typ="safe").load(_DRILL), "tempo": bpm})
    chart = charts(drill)[0]
    bars = [
        (
            chart.seconds_at(bar.start),
            chart.seconds_at(bar.end),
            _heard_of(bar.spans[0].chord, bar.key),
        )
        for bar in chart.bars
        if bar.form_bar >= 0 and bar.spans[0].chord is not None
    ]
    return samples.mean(axis=1), rate, bars


def _heard_of(chord: Chord, key: Key) -> frozenset[int]:
    """Root, and the tones that a rootless voicing plays of the chord: ninth and thirteenth, too."""
    return frozenset(
        name.pitch_class
        for name in (chord.root, *(chord.root.above(degree) for degree in tones(chord, key)[:4]))
    )


def _strongest(samples: Any, rate: int, bar: tuple[float, float, frozenset[int]]) -> bool:
    """Whether no transposition of the chord is stronger in the bar than the chord itself."""
    import librosa
    import numpy as np

    start, end, expected = bar
    end -= (end - start) / 4  # the next chord may be anticipated
    part = samples[int(start * rate) : int(end * rate)]
    chroma = librosa.feature.chroma_cqt(y=part, sr=rate, fmin=librosa.note_to_hz("C2"))
    heard = chroma.mean(axis=1)
    scores = [sum(heard[(tone + shift) % 12] for tone in expected) for shift in range(12)]
    return int(np.argmax(scores)) == 0
