"""`python -m benchmarks.speech`: whether the spoken words are understood, by a recogniser.

PocketSphinx (`pip install pocketsphinx`, BSD, its American model in the wheel) is given a grammar
of our words alone and hears each as it stands in a rendered track: beside the count-in's sticks in
a track of its own, and before a key, over the band; at three sample rates, and with the voice 3 dB
softer and louder than it stands.  Of the words beside the count-in nine of ten should be heard as
themselves.  Nothing here is a test; `tests/sound/test_speech.py` measures formants.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from drillgen.arrange import arrange
from drillgen.chart import Chart, charts
from drillgen.drill.lesson import load
from drillgen.drill.spoken import WORDS, lasts
from drillgen.performance import Performance, SpokenWord, perform
from drillgen.score import PartName
from drillgen.sound.fluidsynth import RATE, Samples
from drillgen.sound.render import MixRequest, render
from drillgen.sound.soundfonts import find_soundfonts

_HEARD_AT = 16000  # Hz: the model's rate
_RATES = (44100, 22050, 16000)  # Hz, by way of which it gets there
_LEVELS = (-3.0, 0.0, 3.0)  # dB
_AROUND = 0.15  # seconds beside a word
_BAND: frozenset[PartName] = frozenset({"drums", "comping", "bass", "click", "spoken"})
_LETTERS = {"A": "EY", "B": "B IY", "C": "S IY", "D": "D IY", "E": "IY", "F": "EH F", "G": "JH IY"}
_DRILL: dict[str, Any] = {
    "progression": "ii7 | V7 | Imaj7 | %",
    "key_cycle": ["C", "Db", "D minor", "E", "F", "F# minor", "G", "Ab", "A", "Bb", "B"],
    "tempo": 90,
    "timing": "exact",
    "gaps": 4,
    "ending": "none",
}


def main() -> None:
    """Print each word, how often it was heard as itself, and as what else."""
    heard = {name: dict(_heard(tracks)) for name, tracks in _tracks()}
    print(f"{'word':8}" + "".join(f"{name:>24}" for name in heard))
    for word in WORDS:
        cells = [found.get(word, []) for found in heard.values()]
        print(f"{word:8}" + "".join(f"{each.count(word):>18} of {len(each):2}" for each in cells))
        if others := sorted({other for each in cells for other in each if other != word}):
            print(f"{'':8}  also heard as {', '.join(other or 'nothing' for other in others)}")
    for name, found in heard.items():
        every = [(word, other) for word, others in found.items() for other in others]
        right = sum(word == other for word, other in every)
        print(f"{name}: {right} of {len(every)}, {right / len(every):.0%}")


def _tracks() -> Iterator[tuple[str, list[Chart]]]:
    for name, apart in (("beside the count-in", True), ("over the band", False)):
        yield name, [chart for line in ("piano", "voice") for chart in _charts(line, apart)]


def _charts(line: str, apart: bool) -> Sequence[Chart]:
    said = {
        **_DRILL,
        "line": {"kind": "guide tones", "instrument": line},
        "tracks": "per key" if apart else "together",
        "band": {"bass": "roots" if apart else "walking", "spoken": "keys and turns"},
    }
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "said.yaml"
        file.write_text(json.dumps(said), "utf-8")  # JSON is YAML
        return charts(load(file).drills[0])


def _heard(tracks: Sequence[Chart]) -> Iterator[tuple[str, list[str]]]:
    """Each word, and all that was heard when it was said."""
    found: dict[str, list[str]] = {}
    recogniser = _recogniser()
    for chart in tracks:
        performance = perform(arrange(chart))
        for level in _LEVELS:
            sound = _mix(performance, level)
            for word in _wanted(chart, performance):
                for rate in _RATES:
                    found.setdefault(word.text, []).append(_hear(recogniser, sound, word, rate))
    yield from found.items()


def _wanted(chart: Chart, performance: Performance) -> Iterator[SpokenWord]:
    """The words in the count-in of a track of one key; in other tracks all others."""
    first = chart.seconds_at(chart.counted(1).start)
    for word in performance.words:
        if (word.start < first) == (len(chart.keys) == 1):
            yield word


def _mix(performance: Performance, level: float) -> Samples:
    """The play-along, the voice some dB louder, in mono."""
    from dataclasses import replace

    import soundfile

    words = tuple(replace(word, loudness=word.loudness + level) for word in performance.words)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "mix.wav"
        request = MixRequest("mix", _BAND, file)
        render(replace(performance, words=words), [request], soundfont=find_soundfonts()[0])
        return np.asarray(soundfile.read(file)[0].mean(axis=1), np.float32)


def _recogniser() -> Any:
    from pocketsphinx import Decoder, get_model_path

    model = Path(get_model_path()) / "en-us"
    lines = (model / "cmudict-en-us.dict").read_text("utf-8").splitlines()
    known = dict(line.split(None, 1) for line in lines)
    with tempfile.TemporaryDirectory() as folder:
        grammar, words = Path(folder) / "words.gram", Path(folder) / "words.dict"
        grammar.write_text(f"#JSGF V1.0;\ngrammar w;\npublic <w> = {' | '.join(WORDS)};\n")
        rows = (f"{word} {_LETTERS.get(word) or known[word]}\n" for word in WORDS)
        words.write_text("".join(rows))
        return Decoder(
            hmm=str(model / "en-us"),
            dict=str(words),
            jsgf=str(grammar),
            lm=None,
            loglevel="FATAL",
        )


def _hear(recogniser: Any, sound: Samples, word: SpokenWord, rate: int) -> str:
    """What is heard of a stretch of sound; "" where that is no word."""
    from scipy.signal import resample_poly

    begin = round((word.start - _AROUND) * RATE)
    end = round((word.start + lasts(word.text, word.quick) + _AROUND) * RATE)
    cut = np.pad(sound, (-min(begin, 0), 0))[max(begin, 0) : end - min(begin, 0)]
    cut = resample_poly(resample_poly(cut, rate, RATE), _HEARD_AT, rate)
    words = (cut / np.abs(cut).max() * 0.5 * 32767).astype("<i2")
    recogniser.start_utt()
    recogniser.process_raw(words.tobytes(), full_utt=True)
    recogniser.end_utt()
    found = recogniser.hyp()
    return found.hypstr if found else ""


if __name__ == "__main__":
    main()
