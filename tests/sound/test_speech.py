"""The voice: its words, and where they stand in what a build writes."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mido
import numpy as np
import pytest
import scipy
import soundfile

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.lesson import load
from drillgen.performance import perform
from drillgen.score import WORDS
from drillgen.sound.release import passage
from drillgen.sound.speech import said, word_samples
from tests.conftest import DATA, Run, run_command

Samples = np.ndarray[Any, np.dtype[np.float64]]
RATE, SPOKEN_AT = 44100, 22050
DRILL = """\
title: Said
progression: ii7 | Imaj7
key_cycle: [Bb, F# minor]
tempo: 100
gaps: 2
ending: none
timing: exact
audio: {loudness: -32}
band: {drums: off, comping: piano, spoken: KIND}
"""
# A beat is 0.6 s, a word begins in the middle of one, and none lasts longer.  The count-in's two
# bars have the first key at their start; what ends with a bar begins behind its last beat, since
# 0.3 s are left there, only where a word is so short; "listen", the longest, behind the third.
WHERE = [
    (0.5, "B"),
    (1.5, "flat"),
    (6.5, "listen"),
    (14.5, "play"),
    (19.5, "F"),
    (20.5, "sharp"),
    (21.5, "minor"),
    (22.5, "listen"),
    (30.5, "play"),
]
BEAT = 0.6


@dataclass(frozen=True)
class Pair:
    """A drill built with its words and without, as sound, and the MIDI file of the first."""

    words: Samples
    without: Samples
    voice: Samples  # its stem
    midi: mido.MidiFile


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Pair:
    """The same drill twice, through the command, so soft that nothing is limited."""
    folder = tmp_path_factory.mktemp("said")
    for name, kind in (("words", "keys and turns"), ("without", "off")):
        (folder / f"{name}.yaml").write_text(DRILL.replace("KIND", kind), "utf-8")
        options = ("--stems", "--room", "off", "--no-page", "--no-sheets", "--quiet")
        done = run_command("build", folder / f"{name}.yaml", "-o", folder / name, *options)
        assert done.returncode == 0, done.stderr
    (midi,) = (path for path in (folder / "words").rglob("*.mid") if "line" not in path.name)
    return Pair(
        _sound(folder / "words", f"{midi.stem}.wav"),
        _sound(folder / "without", f"{midi.stem}.wav"),
        _sound(folder / "words", "* - spoken.wav"),
        mido.MidiFile(midi),
    )


def _sound(folder: Path, name: str) -> Samples:
    (path,) = folder.rglob(name)
    return np.asarray(soundfile.read(path)[0].mean(axis=1))


def _against(pair: Pair) -> Samples:
    """The play-along without words, as loud as in the one with them."""
    still = slice(round(3 * BEAT * RATE), round(6 * BEAT * RATE))
    gain = pair.words[still] @ pair.without[still] / (pair.without[still] @ pair.without[still])
    assert np.abs(pair.words - gain * pair.without)[still].max() < 10 / 32768  # two files' dither
    return np.asarray(gain * pair.without)


def _moments(apart: Samples) -> Samples:
    """Where something is heard, in seconds, to 5 ms."""
    moments = np.abs(apart[: len(apart) // 220 * 220]).reshape(-1, 220).max(axis=1) > 40 / 32768
    return np.asarray(np.flatnonzero(moments) * 220 / RATE)


def test_words_stand_between_the_beats(pair: Pair) -> None:
    """The voice begins within 20 ms of each word's place and nowhere else: behind a beat of the
    count-in, and before each turn and key.  From 0.12 s before a word to 0.65 s behind its place
    (the longest lasts 0.4 s) the play-along differs from that without words, else it does not."""
    found = _moments(pair.voice)
    begun = [time for time in found if not ((found < time) & (found > time - 0.12)).any()]
    assert begun == pytest.approx([beat * BEAT for beat, _ in WHERE], abs=0.02)
    other = _moments(pair.words - _against(pair))
    assert all(any(-0.12 < at - beat * BEAT < 0.65 for beat, _ in WHERE) for at in other)


def test_the_band_steps_back_under_a_word(pair: Pair) -> None:
    """In the middle of each word behind the count-in the band plays 3 to 9 dB softer than without
    words ("a few dB", common practice).  It goes there on a ramp, and where no word comes soon is
    back 0.4 s behind one; between words that follow each other beat by beat it stays down."""
    band, without = pair.words - pair.voice, _against(pair)
    for beat, word in WHERE[3:]:
        begin, lasts = beat * BEAT, sum(length for _, length in WORDS[word]) / 1000
        share = _share(band, without, begin + lasts / 2, 0.02)
        assert -9 < 20 * np.log10(share) < -3
        if not any(0 < beat - other < 2 for other, _ in WHERE):
            ramp = [_share(band, without, begin + at, 0.01) for at in (-0.12, -0.05)]
            assert ramp[0] == pytest.approx(1, abs=0.03) and share + 0.05 < ramp[1] < 0.95
        follows = any(0 < other - beat < 2 for other, _ in WHERE)
        after = _share(band, without, begin + lasts + (0.15 if follows else 0.4), 0.01)
        assert after == pytest.approx(share if follows else 1, abs=0.03)


def _share(one: Samples, other: Samples, middle: float, half: float) -> float:
    """How large one sound is in another, about a moment (seconds)."""
    piece = slice(round((middle - half) * RATE), round((middle + half) * RATE))
    return float(one[piece] @ other[piece] / (other[piece] @ other[piece]))


def test_words_are_lyrics_in_midi(pair: Pair) -> None:
    """A track of the MIDI file has each word as a lyric (Standard MIDI Files 1.0, FF 05) where it
    is heard, and no note."""
    (track,) = (track for track in pair.midi.tracks if track.name == "spoken")
    now, found = 0, []
    for message in track:
        now += message.time
        if message.type == "lyrics":
            found.append((now / pair.midi.ticks_per_beat, message.text))
    assert found == WHERE
    assert not [message for message in track if not message.is_meta]


def test_words_are_alike_and_beside_the_band(pair: Pair) -> None:
    """By pyloudnorm (ITU-R BS.1770) the words of a track are equally loud, within 2 LU, each over
    the 400 ms from its beginning; and 8 to 16 LU louder than the piano that plays meanwhile."""
    import pyloudnorm

    meter = pyloudnorm.Meter(RATE)

    def loudness(sound: Samples, beat: float) -> float:
        first = round(beat * BEAT * RATE)
        return float(meter.integrated_loudness(sound[first : first + round(0.4 * RATE)]))

    words = [loudness(pair.voice, beat) for beat, _ in WHERE]
    assert max(words) - min(words) < 2
    band = pair.words - pair.voice
    over = [each - loudness(band, beat) for each, (beat, _) in zip(words, WHERE, strict=True)]
    assert np.median(over[3:]) == pytest.approx(12, abs=4)


def test_a_loop_names_no_other_key(tmp_path: Path) -> None:
    """Of a loop of the first key, which comes back to itself, its turns are left, where they were,
    and no name of the next one."""
    drill = tmp_path / "said.yaml"
    drill.write_text(DRILL.replace("KIND", "keys and turns"), "utf-8")
    performance = perform(arrange(charts(load(drill).drills[0])[0]))
    loop, _ = passage(performance, (8 * BEAT, 24 * BEAT))
    assert [word.text for word in loop.words] == ["play", "listen"]
    assert [word.start for word in loop.words] == pytest.approx([6.5 * BEAT, 14.5 * BEAT])


@pytest.mark.parametrize(
    ("word", "vowel", "at"),
    [
        ("E", "i", 0.6),
        ("F", "ɛ", 0.3),
        ("sing", "ɪ", 0.5),
        ("flat", "æ", 0.5),
        ("sharp", "ɑ", 0.42),
        ("minor", "ɝ", 0.82),
    ],
)
def test_vowels_are_those_of_speakers(word: str, vowel: str, at: float) -> None:
    """The first two formants of a word's vowel, by linear prediction, are within 12 % of the mean
    of 33 men (Peterson & Barney 1952), which is about the spread of speakers there."""
    sound = said(word)
    middle = round(at * sum(length for _, length in WORDS[word]) / 1000 * SPOKEN_AT)
    piece = scipy.signal.resample_poly(sound[middle - 600 : middle + 600], 8000, SPOKEN_AT)
    emphasised = np.diff(piece) * np.hanning(len(piece) - 1)
    alike = np.correlate(emphasised, emphasised, "full")[len(emphasised) - 1 :][:11]
    roots = np.roots([1.0, *-scipy.linalg.solve_toeplitz(alike[:-1], alike[1:])])
    poles = [root for root in roots if root.imag > 0 and abs(root) > 0.85]
    found = sorted(float(np.angle(root)) * 8000 / (2 * np.pi) for root in poles)
    rows = csv.DictReader(
        io.StringIO("".join(_lines("vowels_men.csv"))),
    )
    row = next(row for row in rows if row["vowel"] == vowel)
    assert found[:2] == pytest.approx([float(row["F1"]), float(row["F2"])], rel=0.12)


def _lines(name: str) -> list[str]:
    text = (DATA / name).read_text("utf-8")
    return [line for line in text.splitlines(keepends=True) if not line.startswith("#")]


def test_every_word_can_be_spoken() -> None:
    """Each word, usual and quick, lasts as long as the rule of its place reckons with, but for
    40 ms in which it rings, and stays within full scale."""
    for word, sounds in WORDS.items():
        for quick, share in ((False, 1.0), (True, 0.75)):
            sound = word_samples(word, quick)[0]
            heard = np.flatnonzero(np.abs(sound) > 0.003)
            lasts = share * sum(length for _, length in sounds) / 1000
            assert 0.5 * lasts < (heard[-1] - heard[0]) / RATE < lasts + 0.04
            assert np.abs(sound).max() < 1


@pytest.mark.parametrize(
    ("tempo", "meter", "feel", "lacking"),
    [
        (100, "5/4", "five-four swing", []),
        (240, "5/4", "five-four swing", []),
        (200, "3/4", "jazz waltz", []),
        (360, "4/4", "swing", ['"F sharp minor listen" before bar 5']),
    ],
)
def test_check_says_what_has_no_time(
    drillgen: Run, tmp_path: Path, tempo: int, meter: str, feel: str, lacking: list[str]
) -> None:
    """In 5/4 and in three there is time for every word, said quickly at need; where a new key
    has one bar at 300 there is none, and `check` says so and of which words."""
    drill = tmp_path / "fast.yaml"
    text = DRILL.replace("KIND", "keys and turns").replace("tempo: 100", f"tempo: {tempo}")
    text = text.replace("gaps: 2", "gaps: 1" if lacking else "gaps: 2")
    drill.write_text(f"{text}meter: {meter}\nfeel: {feel}\n", "utf-8")
    done = drillgen("check", drill)
    notes = [row.partition("no time to say ")[2] for row in done.stdout.splitlines()]
    assert "  spoken: keys and turns" in done.stdout.splitlines()
    assert [note for note in notes if note] == lacking
