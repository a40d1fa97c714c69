"""What a voice says: the words, how long each takes, and how they are set on the grid.

A word is a row of sounds with their lengths; `sound/speech.py` speaks them.  They are those of
English letter names and words (common practice: a North American pronunciation); the lengths are
those of words said alone, by ear.

A word begins between two beats: on a beat the stroke that counts would cover its first consonant
(`python -m benchmarks.speech` measures how much less is understood there).  One that has no room is
said quickly, in `QUICK` of its time, or left out: `fit` has the rule, and `page/web/spoken.js`
follows the same one.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor
from typing import NamedTuple

from quicktions import Fraction

from drillgen.drill.bars import Meter
from drillgen.theory.pitch import Key

_SPOKEN = {
    "A": "e:120 j:170",
    "B": "b.:40 b:10 i:250",
    "C": "s:150 i:230",
    "D": "d.:40 d:14 i:250",
    "E": "iʰ:60 i:330",
    "F": "ɛ:170 f:200",
    "G": "dʒ:60 i:240",
    "sharp": "ʃ:110 ɑ:110 r:70 p.:60 p:10 pʰ:30",
    "flat": "f:80 l:60 æ:140 t.:50 t:15 tʰ:40",
    "minor": "m:70 a:70 ɪ:70 n:60 ɝ:130",
    "listen": "l:60 ɪ:80 s:90 ə:50 n:100",
    "play": "p:10 pʰ:30 l:55 e:90 j:130",
    "sing": "s:80 ɪ:80 ŋ:100",
}
# Each word's sounds, and their lengths in milliseconds.
WORDS: dict[str, tuple[tuple[str, int], ...]] = {
    word: tuple(
        (sound, int(length)) for sound, length in (each.split(":") for each in text.split())
    )
    for word, text in _SPOKEN.items()
}
QUICK = 0.75  # of a word's time, where there is no more
FAST = 0.25  # seconds a beat: 240 beats a minute
_ACCIDENTALS = {-1: ("flat",), 0: (), 1: ("sharp",)}


class Fitted(NamedTuple):
    """A word in its place: behind which beat it begins, counted from 0 where the room begins."""

    word: str
    early: int  # where all is said as soon as may be
    late: int  # and where it ends with the room
    quick: bool


def lasts(word: str, quick: bool = False) -> float:
    """How long a word takes, in seconds."""
    return sum(length for _, length in WORDS[word]) / 1000 * (QUICK if quick else 1)


def key_words(key: Key) -> tuple[str, ...]:
    """A key as it is said: B flat minor; major goes without saying."""
    minor = ("minor",) if key.mode == "minor" else ()
    return (key.tonic.letter, *_ACCIDENTALS[key.tonic.alter], *minor)


def behind_a_beat(meter: Meter) -> Fraction:
    """Where a word begins, in beats behind one: in its middle, or on the second of three."""
    return Fraction(1, 2) if meter.beat.denominator == 1 else Fraction(1, 3)


def fit(words: Sequence[str], beat: float, meter: Meter, room: int) -> tuple[Fitted, ...]:
    """Words in `room` beats of `beat` seconds, one behind each beat (every second, third … one
    where a word lasts longer than a beat), all of them quickly where the last one would not end in
    time otherwise; () where there is no time for that either."""
    for quick in (False, True):
        needed = [lasts(word, quick) / beat for word in words]
        starts = [sum(map(ceil, needed[:index])) for index in range(len(words))]
        spare = floor(room - float(behind_a_beat(meter)) - starts[-1] - needed[-1])
        if spare >= 0:
            places = zip(words, starts, strict=True)
            return tuple(Fitted(word, start, start + spare, quick) for word, start in places)
    return ()


def room_of_turn(beat: float, meter: Meter) -> int:
    """The beats before a turn in which it may be said: half a bar, at fast tempos all of it."""
    return meter.beats if beat < FAST else -(-meter.beats // 2)


def shorter(key: Sequence[str], turn: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    """What is tried in turn where a key and a turn have no room together: all, the key without the
    turn, without its mode."""
    tried = ((*key, *turn), tuple(key), tuple(word for word in key if word != "minor"))
    return tuple(dict.fromkeys(each for each in tried if each))
