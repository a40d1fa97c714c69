"""What independent programs hear in our mixes: bass notes, beats and bar lines.

`python -m benchmarks.ears FOLDER [--seeds N-M] [SOUNDFONT …]` writes mixes with each soundfont as
in `benchmarks.mixes`, as they are and high-passed at 300 Hz (a phone), and what is played in them.
`python benchmarks/ears.py FOLDER`, by a Python of its own that has mir_eval and some of what
follows (their TensorFlow and models are too large to be named in `pyproject.toml`), listens and
prints F-measures, means over the seeds, a dash where a program is not there.  (One seed is some
ninety notes of a bass in two, and a program that finds a tenth of them has found nine: what two
sounds are apart is less than what two seeds are.)

- basic-pitch (Bittner et al., "A lightweight instrument-agnostic model for polyphonic note
  transcription", ICASSP 2022): bass notes by onset (50 ms) and pitch (50 cents), among all notes
  that it finds in the bass's register, in the mix and through the high-pass.
- librosa: the beats before the ending (70 ms, as mir_eval's defaults have them) by a tracker of one
  steady tempo, which is told it, so that a beat heard in half time is not a beat missed.
- madmom: beats and bar lines by a network trained on recordings and a model of bars whose tempo may
  change (Böck, Krebs & Widmer, "Joint beat and downbeat tracking with recurrent neural networks",
  ISMIR 2016; models CC BY-NC-SA: for measuring only), told about the tempo and how many beats a bar
  has, as a student knows.  It hears each mix from the middle of the first bar on, since a program
  that takes the first sound for beat 1 would else be right.
- BeatNet, another network (Heydari, Cwitkowitz & Duan, ISMIR 2021; CC BY), before the same model.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from itertools import product
from math import nan
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

_PASSES = 3  # a tracker needs some time, and mir_eval leaves out the first five seconds
_PHONE = 300.0  # Hz
_LOWEST, _HIGHEST = 38.0, 262.0  # Hz: D#1 to C4
_NEAR = 0.07  # seconds
_BEFORE = 0.1  # seconds ahead of the first beat that is heard
_ORDER = 4  # of the high-pass, in powers of two: 24 dB an octave


def written(folder: Path, asked: Sequence[str], seeds: Sequence[int]) -> None:
    """Write the mixes and what is played in them."""
    from benchmarks.mixes import DRILLS, fonts, mixed, played

    folder.mkdir(parents=True, exist_ok=True)
    for (drill, (preset, settings)), seed in product(DRILLS.items(), seeds):
        own = {"line": "off", "count_in": 0, "passes": _PASSES, "seed": seed}
        performance = played(preset, settings | own)
        for name, font in fonts(asked):
            mix = mixed(performance, font)
            stem = folder / f"{drill.replace('/', '-')}, {name}, {seed}"
            soundfile.write(f"{stem}.wav", mix.band, 44100, "PCM_16")
            soundfile.write(f"{stem}, phone.wav", _high_passed(mix.band), 44100, "PCM_16")
            truth = {"drill": drill, "font": name, **_truth(performance)}
            Path(f"{stem}.json").write_text(json.dumps(truth), "utf-8")


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
    return {"notes": notes, "beats": beats, "meter": chart.drill.meter.beats}


def _high_passed(sound: Any) -> Any:
    """By the magnitudes of a Butterworth filter, without delay."""
    spectrum = np.fft.rfft(sound, axis=0)
    hertz = np.maximum(np.fft.rfftfreq(len(sound), 1 / 44100), 1.0)
    gains = 1 / np.sqrt(1 + (_PHONE / hertz) ** (2 * _ORDER))
    return np.fft.irfft(spectrum * gains[:, None], len(sound), axis=0)


def listened(folder: Path) -> None:
    """Print what is heard in the mixes of a folder."""
    heads = "drill", "soundfont", *(name for names in _HEARD for name in names)
    print(f"| {' | '.join(heads)} |\n" + "| --- " * len(heads) + "|")
    heard: dict[tuple[str, str], list[list[float]]] = {}
    for file in sorted(folder.glob("*.json")):
        truth = json.loads(file.read_text("utf-8"))
        heard.setdefault((truth["drill"], truth["font"]), []).append(list(_found_in(file, truth)))
    for names, seeds in heard.items():
        means = np.mean(seeds, axis=0)
        cells = ("–" if value != value else f"{value:.2f}" for value in means)
        print(f"| {' | '.join((*names, *cells))} |")


def _found_in(file: Path, truth: dict[str, Any]) -> Iterator[float]:
    for names, listen in _HEARD.items():
        try:
            yield from listen(file, truth)
        except ModuleNotFoundError:
            yield from [nan] * len(names)


def _bass_notes(file: Path, truth: dict[str, Any]) -> list[float]:
    import mir_eval

    notes, measures = np.array(truth["notes"]), []
    for ending in (".wav", ", phone.wav"):
        found = _transcribed(file.with_name(file.stem + ending))
        _, _, measure, _ = mir_eval.transcription.precision_recall_f1_overlap(
            notes[:, :2], _hertz(notes[:, 2]), found[:, :2], _hertz(found[:, 2]), offset_ratio=None
        )
        measures.append(measure)
    return measures


def _steady_beats(file: Path, truth: dict[str, Any]) -> list[float]:
    import librosa

    sound, rate = librosa.load(file.with_name(file.stem + ".wav"), sr=22050)
    played = np.asarray(truth["beats"])
    _, beats = librosa.beat.beat_track(y=sound, sr=rate, units="time", start_bpm=_tempo(played))
    return [_found(played, beats)]


def _by_madmom(file: Path, truth: dict[str, Any]) -> list[float]:
    from madmom.audio.signal import Signal
    from madmom.features.downbeats import RNNDownBeatProcessor

    sound, played, first = _from_the_middle(file, truth, 44100)
    chances = RNNDownBeatProcessor()(Signal(sound, 44100))
    return _in_bars(chances, 100, played, first, truth["meter"])


def _by_beatnet(file: Path, truth: dict[str, Any]) -> list[float]:
    """The network alone: its package's own front wants a microphone."""
    import BeatNet
    import torch
    from BeatNet.log_spect import LOG_SPECT
    from BeatNet.model import BDA

    sound, played, first = _from_the_middle(file, truth, 22050)
    spectra = LOG_SPECT(
        sample_rate=22050, win_length=1411, hop_size=441, n_bands=[24], mode="offline"
    )
    network = BDA(272, 150, 2, "cpu")
    weights = Path(BeatNet.__path__[0]) / "models" / "model_1_weights.pt"
    network.load_state_dict(torch.load(weights), strict=False)
    with torch.no_grad():
        frames = torch.from_numpy(spectra.process_audio(sound).T).unsqueeze(0)
        chances = network.eval().final_pred(network(frames)[0]).numpy()[:2].T
    return _in_bars(chances, 50, played, first, truth["meter"])


def _from_the_middle(file: Path, truth: dict[str, Any], rate: int) -> tuple[Any, Any, int]:
    """A mix from the middle of its first bar on; its beats; the first that begins a bar."""
    import librosa

    played, meter = np.asarray(truth["beats"]), truth["meter"]
    skipped = max(meter // 2, 1)
    begins = played[skipped] - _BEFORE
    sound, _ = librosa.load(file.with_name(file.stem + ".wav"), sr=rate, offset=begins)
    return sound, played[skipped:] - begins, meter - skipped


def _in_bars(chances: Any, rate: int, played: Any, first: int, meter: int) -> list[float]:
    """F-measures of beats and of bar lines, from chances of both, `rate` a second."""
    from madmom.features.downbeats import DBNDownBeatTrackingProcessor

    tempo = _tempo(played)
    bars = DBNDownBeatTrackingProcessor(
        beats_per_bar=[meter], min_bpm=0.9 * tempo, max_bpm=1.1 * tempo, fps=rate
    )
    found = bars(chances)
    lines = found[found[:, 1] == 1, 0]
    return [_found(played, found[:, 0]), _found(played[first::meter], lines)]


def _tempo(beats: Any) -> float:
    return 60 / float(np.median(np.diff(beats)))


def _found(played: Any, heard: Any) -> float:
    import mir_eval

    heard = heard[heard < played[-1] + _NEAR]
    trimmed = (mir_eval.beat.trim_beats(each) for each in (played, heard))
    return float(mir_eval.beat.f_measure(*trimmed))


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


_HEARD: dict[tuple[str, ...], Callable[[Path, dict[str, Any]], list[float]]] = {
    ("bass notes", "through 300 Hz"): _bass_notes,
    ("beats, one tempo",): _steady_beats,
    ("beats", "bar lines"): _by_madmom,
    ("beats, BeatNet", "bar lines, BeatNet"): _by_beatnet,
}


if __name__ == "__main__":
    if __package__:
        from benchmarks.running import seeds_asked

        parser = argparse.ArgumentParser(description="Mixes for other programs to hear.")
        parser.add_argument("folder", type=Path)
        parser.add_argument("fonts", nargs="*", metavar="SOUNDFONT")
        parser.add_argument("--seeds", type=seeds_asked, default=range(1, 2), metavar="N-M")
        options = parser.parse_intermixed_args()
        written(options.folder, options.fonts, options.seeds)
    else:
        listened(Path(sys.argv[1]))
