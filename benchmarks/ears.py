"""What independent programs hear in our mixes: bass notes and beats.

`python -m benchmarks.ears FOLDER [SOUNDFONT …]` writes eight mixes with each soundfont as in
`benchmarks.mixes`, as they are and high-passed at 300 Hz (a phone), and what is played in them.
`python benchmarks/ears.py FOLDER`, by a Python of its own that has basic-pitch (Bittner et al., "A
lightweight instrument-agnostic model for polyphonic note transcription", ICASSP 2022), librosa and
mir_eval (their TensorFlow is too large to be named in `pyproject.toml`), listens and prints the
F-measures: of bass notes by onset (50 ms) and pitch (50 cents), among all notes that it finds in
the bass's register; of the beats before the ending (70 ms), as mir_eval's defaults have them, with
librosa's beat tracker, which looks for tempos about 120; and with the tempo told to it, so that a
beat heard in half time is not a beat missed.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

DRILLS: dict[str, tuple[str, dict[str, object]]] = {
    "swing 120": ("first-two-fives", {"tempo": 120, "band": {"bass": "walking"}}),
    "swing 200": ("first-two-fives", {"tempo": 200, "band": {"bass": "walking"}}),
    "ballad 60": ("lamps-out-one-by-one", {"tempo": 60}),
    "bossa 120": ("window-on-the-harbour", {"tempo": 120}),
    "samba 190": ("street-before-noon", {"tempo": 190}),
    "waltz 138": ("three-and-two-halves", {"tempo": 138}),
    "two-feel 112": ("before-the-band-walks", {"tempo": 112}),
    "straight 132": ("water-over-stones", {"tempo": 132}),
}
_PASSES = 3  # a tracker needs some time, and mir_eval leaves out the first five seconds
_PHONE = 300.0  # Hz
_LOWEST, _HIGHEST = 38.0, 262.0  # Hz: D#1 to C4
_NEAR = 0.07  # seconds
_ORDER = 4  # of the high-pass, in powers of two: 24 dB an octave


def written(folder: Path, asked: Sequence[str]) -> None:
    """Write the mixes and what is played in them."""
    from benchmarks.mixes import fonts, mixed, played

    folder.mkdir(parents=True, exist_ok=True)
    for drill, (preset, settings) in DRILLS.items():
        performance = played(preset, {**settings, "line": "off", "count_in": 0, "passes": _PASSES})
        for name, font in fonts(asked):
            mix = mixed(performance, font)
            stem = folder / f"{drill}, {name}"
            soundfile.write(stem.with_name(stem.name + ".wav"), mix.band, 44100, "PCM_16")
            phone = _high_passed(mix.band)
            soundfile.write(stem.with_name(stem.name + ", phone.wav"), phone, 44100, "PCM_16")
            truth = {"drill": drill, "font": name, **_truth(performance)}
            stem.with_name(stem.name + ".json").write_text(json.dumps(truth), "utf-8")


def _truth(performance: Any) -> dict[str, Any]:
    bass = next(voice for voice in performance.voices if voice.part == "bass")
    chart = performance.chart
    beats = [
        chart.seconds_at(bar.start + number * chart.drill.meter.beat)
        for bar in chart.bars
        if bar.role != "ending"
        for number in range(chart.drill.meter.beats)
    ]
    notes = [(note.start, note.start + note.duration, note.key) for note in bass.notes]
    return {"notes": notes, "beats": beats}


def _high_passed(sound: Any) -> Any:
    """By the magnitudes of a Butterworth filter, without delay."""
    spectrum = np.fft.rfft(sound, axis=0)
    hertz = np.maximum(np.fft.rfftfreq(len(sound), 1 / 44100), 1.0)
    gains = 1 / np.sqrt(1 + (_PHONE / hertz) ** (2 * _ORDER))
    return np.fft.irfft(spectrum * gains[:, None], len(sound), axis=0)


def listened(folder: Path) -> None:
    """Print what is heard in the mixes of a folder."""
    heads = "drill", "soundfont", "bass notes", "through 300 Hz", "beats", "tempo told"
    print(f"| {' | '.join(heads)} |\n" + "| --- " * len(heads) + "|")
    for file in sorted(folder.glob("*.json")):
        truth = json.loads(file.read_text("utf-8"))
        cells = " | ".join(f"{value:.2f}" for value in _heard(file, truth))
        print(f"| {truth['drill']} | {truth['font']} | {cells} |", flush=True)


def _heard(file: Path, truth: dict[str, Any]) -> Iterator[float]:
    import librosa
    import mir_eval

    notes = np.array(truth["notes"])
    for ending in (".wav", ", phone.wav"):
        found = _transcribed(file.with_name(file.stem + ending))
        _, _, measure, _ = mir_eval.transcription.precision_recall_f1_overlap(
            notes[:, :2], _hertz(notes[:, 2]), found[:, :2], _hertz(found[:, 2]), offset_ratio=None
        )
        yield measure
    sound, rate = librosa.load(file.with_name(file.stem + ".wav"), sr=22050)
    played = np.asarray(truth["beats"])
    for tempo in (120.0, 60 / float(np.median(np.diff(played)))):
        _, beats = librosa.beat.beat_track(y=sound, sr=rate, units="time", start_bpm=tempo)
        beats = beats[beats < played[-1] + _NEAR]
        trimmed = (mir_eval.beat.trim_beats(each) for each in (played, beats))
        yield mir_eval.beat.f_measure(*trimmed)


def _transcribed(file: Path) -> Any:
    """Notes as (start, end, MIDI key)."""
    from basic_pitch import ICASSP_2022_MODEL_PATH
    from basic_pitch.inference import predict

    heard = predict(
        str(file), ICASSP_2022_MODEL_PATH, minimum_frequency=_LOWEST, maximum_frequency=_HIGHEST
    )[2]
    rows = sorted((start, end, key) for start, end, key, *_ in heard)
    return np.array(rows, float).reshape(-1, 3)


def _hertz(keys: Any) -> Any:
    return 440.0 * 2.0 ** ((np.asarray(keys) - 69) / 12)


if __name__ == "__main__":
    if __package__:
        written(Path(sys.argv[1]), sys.argv[2:])
    else:
        listened(Path(sys.argv[1]))
