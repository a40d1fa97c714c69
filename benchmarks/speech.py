"""`python -m benchmarks.speech`: whether the spoken words are understood, by a recogniser.

PocketSphinx (`pip install pocketsphinx`, BSD, its American model in the wheel) is given a grammar
of our words alone and hears each as it stands in a rendered track: beside a click on every beat,
and over the whole band; at three sample rates, and with the voice 3 dB softer and louder than it
stands.  Beside the click nine of ten should be heard as themselves; a band in front of it is more
than this recogniser was made for.  Nothing here is a test; `tests/sound/test_speech.py` measures
formants.
"""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from drillgen.arrange import arrange
from drillgen.chart import charts
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
_ROOM = 0.004  # of the peak: no room is as still as a file, and the model has heard none
_BAND: frozenset[PartName] = frozenset({"drums", "comping", "bass", "click"})
_VOICE: frozenset[PartName] = frozenset({"spoken"})
_LETTERS = {"A": "EY", "B": "B IY", "C": "S IY", "D": "D IY", "E": "IY", "F": "EH F", "G": "JH IY"}
_DRILL: dict[str, Any] = {
    "progression": "ii7 V7 | Imaj7",
    "key_cycle": ["C", "Db", "D minor", "E", "F", "F# minor", "G", "Ab", "A", "Bb", "B"],
    "tempo": 90,
    "gaps": 1,
    "ending": "none",
}
_BANDS: dict[str, dict[str, str]] = {
    "beside a click": {"drums": "off", "comping": "off", "click": "beats"},
    "over the band": {"bass": "walking"},
}


def main() -> None:
    """Print each word, how often it was heard as itself, and as what else."""
    heard = {name: _heard(band) for name, band in _BANDS.items()}
    print(f"{'word':8}" + "".join(f"{name:>20}" for name in heard))
    for word in WORDS:
        cells = [found.get(word, []) for found in heard.values()]
        print(f"{word:8}" + "".join(f"{each.count(word):>13} of {len(each):3}" for each in cells))
        if others := sorted({other for each in cells for other in each if other != word}):
            print(f"{'':8}  also heard as {', '.join(other or 'nothing' for other in others)}")
    for name, found in heard.items():
        shares = [others.count(word) / len(others) for word, others in found.items()]
        print(f"{name}: {sum(shares) / len(shares):.0%}, each word as often")


def _heard(band: dict[str, str]) -> dict[str, list[str]]:
    """Each word, and all that was heard when it was said."""
    found: dict[str, list[str]] = {}
    recogniser = _recogniser()
    for instrument in ("piano", "voice"):
        performance = _performance(band, instrument)
        others, voice = _mixes(performance)
        for word in performance.words:
            for level in _LEVELS:
                sound = others + voice * np.float32(10 ** (level / 20))
                for rate in _RATES:
                    found.setdefault(word.text, []).append(_hear(recogniser, sound, word, rate))
    return found


def _performance(band: dict[str, str], instrument: str) -> Performance:
    line = {"kind": "guide tones", "instrument": instrument}
    drill = {**_DRILL, "line": line, "band": {**band, "spoken": "keys and turns"}}
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "said.yaml"
        file.write_text(json.dumps(drill), "utf-8")  # JSON is YAML
        return perform(arrange(charts(load(file).drills[0])[0]))


def _mixes(performance: Performance) -> tuple[Samples, Samples]:
    """The play-along without its voice, and the voice, in mono."""
    import soundfile

    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder) / name for name in ("band.wav", "voice.wav")]
        requests = [MixRequest(f.stem, p, f) for f, p in zip(files, (_BAND, _VOICE), strict=True)]
        render(performance, requests, soundfont=find_soundfonts()[0])
        band, voice = (soundfile.read(file, dtype="float32")[0].mean(axis=1) for file in files)
    return band, voice


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
    cut = np.pad(cut, (_HEARD_AT // 5, _HEARD_AT // 10)) / np.abs(cut).max()
    cut += _ROOM * np.random.default_rng(1).standard_normal(len(cut))
    recogniser.start_utt()
    recogniser.process_raw((cut * 16000).astype("<i2").tobytes(), full_utt=True)
    recogniser.end_utt()
    found = recogniser.hyp()
    return found.hypstr if found else ""


if __name__ == "__main__":
    main()
