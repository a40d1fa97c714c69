"""`python -m benchmarks.sounds [instruments | mixes] [SOUNDFONT …]`: our own sounds in numbers,
beside the free banks'.

Without names: our own, made now, and every soundfont that is found.  Each figure stands beside the
mark that it should reach.  `instruments`: what `drillgen soundfonts` chooses by, of every
instrument of a drill.  `mixes`: whole mixes (`benchmarks.mixes`).  Nothing here is a test.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from benchmarks.mixes import mixes
from benchmarks.tones import (
    Player,
    attack,
    centroid,
    cents_off,
    envelope,
    likeness,
    seconds_before_it_repeats,
    seconds_to,
    steps,
    weighted,
)
from drillgen.arrange import arrange
from drillgen.band.feel import KEYS, KITS
from drillgen.bank.make import NAME, TAKES, written
from drillgen.chart import charts
from drillgen.drill.lesson import load
from drillgen.drill.sheet import INSTRUMENTS
from drillgen.errors import SoundError
from drillgen.performance import Voice, perform
from drillgen.sound.fluidsynth import RATE
from drillgen.sound.known_soundfonts import Figures
from drillgen.sound.soundfonts import find_soundfonts

_BASSES = {"upright bass": 32, "electric bass": 33}
_KEYS = range(28, 68)  # E1 to G4
_OPEN = (28, 33, 38, 43)
_NORMAL = 84
_BALLAD = """\
title: A ballad's bars
progression: ii7 | V7 | Imaj7 | % | ii7 | V7 | Imaj7 | %
key_cycle: [C]
tempo: 60
count_in: 1
feel: ballad
band: {drums: brushes, comping: piano, bass: two-beat}
line: guide tones
gaps: none
ending: none
"""

Measures = dict[str, float]


def main() -> None:
    """Measure everything and print it."""
    only, *asked = sys.argv[1:] or [""]
    if only == MIX_TABLE:
        mixes(asked)
        return
    with tempfile.TemporaryDirectory() as folder:
        fonts = list(_fonts(Path(folder), asked if only == INSTRUMENT_TABLE else sys.argv[1:]))
        names = [name for name, _ in fonts]
        if only == INSTRUMENT_TABLE:
            _instruments(fonts)
            return
        for instrument, program in _BASSES.items():
            _table(instrument, names, [_bass(player, program) for _, player in fonts], _BASS_MARKS)
        ballad = _drums(Path(folder))
        _table("brush kit", names, [_brushes(each, ballad) for _, each in fonts], _BRUSH_MARKS)
        _table("cymbals", names, [_cymbals(player) for _, player in fonts], _CYMBAL_MARKS)
        for _, player in fonts:
            player.close()


def _fonts(folder: Path, asked: Sequence[str]) -> Iterator[tuple[str, Player]]:
    own = folder / "own.sf2"
    written(own)
    found = [(Path(path).stem, Path(path)) for path in asked]
    found = found or [(font.name, font.path) for font in find_soundfonts()]
    for name, path in [(NAME, own), *found]:
        try:
            yield name, Player(path)
        except SoundError as error:
            print(f"Left out: {error}\n")


def _table(
    title: str, names: Sequence[str], figures: Sequence[Measures], marks: dict[str, str]
) -> None:
    print(f"{title}:\n\n| measure | mark | {' | '.join(names)} |")
    print("| --- " * (len(names) + 2) + "|")
    for measure, mark in marks.items():
        cells = [f"{each[measure]:.3g}" if measure in each else "–" for each in figures]
        print(f"| {measure} | {mark} | {' | '.join(cells)} |", flush=True)
    print()


# Every instrument.

INSTRUMENT_TABLE, MIX_TABLE = "instruments", "mixes"


def _instruments(fonts: Sequence[tuple[str, Player]]) -> None:
    """As `MEASURED` in `drillgen.sound.known_soundfonts` has them."""
    print("| instrument | soundfont | cents | step, dB | brighter | seconds | misses |")
    print("| --- " * 7 + "|")
    for instrument, each in INSTRUMENTS.items():
        for name, player in fonts:
            if player.choose(False, each.program):
                figures = _figures(player, each.program, range(each.low.midi, each.high.midi + 1))
                cells = " | ".join(f"{value:.3g}" for value in (*figures, figures.misses))
                print(f"| {instrument} | {name} | {cells} |", flush=True)


def _figures(player: Player, program: int, keys: range) -> Figures:
    notes = {key: player.heard(False, key, _NORMAL, 1.5, 1.5) for key in keys}
    return Figures(
        cents=max(abs(cents_off(sound, key)) for key, sound in notes.items()),
        step=steps([weighted(sound[: RATE * 6 // 10]) for sound in notes.values()]),
        brighter=_brighter(player, program, keys),
        seconds=seconds_before_it_repeats(player.path, program),
    )


# Basses.

_BASS_MARKS = {
    "tuning, worst, cents": "≤ 3",
    "neighbouring keys, largest step, dB": "≤ 1.5",
    "neighbouring keys, decay apart, %": "≤ 10",
    "brightness at velocity 110 over 40": "≥ 1.25",
    "open E1, −20 dB after, s": "2 to 4",
    "open A1, −20 dB after, s": "2 to 4",
    "open D2, −20 dB after, s": "",
    "open G2, −20 dB after, s": "",
    "G3, −20 dB after, s": "",
    "equal notes correlate, median": "≤ 0.9",
    "equal notes correlate, worst": "≤ 0.9",
    "the same, moved by up to 5 ms to fit": "",
    "attack, median, ms": "5 to 25",
    "attack, longest, ms": "5 to 25",
    "above 300 Hz against all, LU": "≥ −8",
    "level at velocity 84, dB": "",
}


def _bass(player: Player, program: int) -> Measures:
    if not player.choose(False, program):
        return {}
    notes = {key: player.heard(False, key, _NORMAL, 6.0, 6.0) for key in _KEYS}
    levels = [weighted(sound[: RATE * 4 // 10]) for sound in notes.values()]
    falls = [seconds_to(sound, 20) for sound in notes.values()]
    attacks = [attack(sound) for sound in notes.values()]
    low = [notes[key] for key in range(28, 56)]
    alike = np.array([_alike(player, program, key) for key in range(28, 56, 2)])
    return {
        "tuning, worst, cents": max(abs(cents_off(sound, key)) for key, sound in notes.items()),
        "neighbouring keys, largest step, dB": steps(levels),
        "neighbouring keys, decay apart, %": 100 * (np.exp(steps(list(np.log(falls)))) - 1),
        "brightness at velocity 110 over 40": _brighter(player, program),
        **{
            f"{name}, −20 dB after, s": seconds_to(notes[key], 20)
            for name, key in zip(
                ("open E1", "open A1", "open D2", "open G2", "G3"), (*_OPEN, 55), strict=True
            )
        },
        "equal notes correlate, median": float(np.median(alike[:, 0])),
        "equal notes correlate, worst": float(np.max(alike[:, 0])),
        "the same, moved by up to 5 ms to fit": float(np.median(alike[:, 1])),
        "attack, median, ms": float(np.median(attacks)),
        "attack, longest, ms": max(attacks),
        "above 300 Hz against all, LU": float(
            np.mean([weighted(s[:RATE], 300) - weighted(s[:RATE]) for s in low])
        ),
        "level at velocity 84, dB": float(np.mean(levels)),
    }


def _brighter(player: Player, program: int, keys: range = range(28, 56)) -> float:
    """The median of the keys."""
    player.choose(False, program)
    return float(
        np.median(
            [
                centroid(player.heard(False, key, 110, 0.6, 0.6))
                / centroid(player.heard(False, key, 40, 0.6, 0.6))
                for key in keys
            ]
        )
    )


def _alike(player: Player, program: int, key: int) -> tuple[float, float]:
    """How alike two equal notes are at most, as they are and moved by up to 5 ms: takes where
    the soundfont has them."""
    takes = [
        player.heard(False, key, _NORMAL, 0.6, 0.6)
        for bank in range(TAKES)
        if player.choose(False, program, bank)
    ]
    player.choose(False, program)
    takes = takes if len(takes) > 1 else takes * 2
    pairs = [(a, b) for i, a in enumerate(takes) for b in takes[:i]]
    still, moved = (max(likeness(a, b, m) for a, b in pairs) for m in (0, 0.005))
    return still, moved


# Drums.

_BRUSH_MARKS = {
    "ballad's bars: kit more than 30 dB below its strokes, % of the time": "0",
    "ballad's bars: quietest moment below the loudest stroke, dB": "≤ 30",
    "equal taps correlate": "≤ 0.9",
    "tap, −20 dB after, s": "",
    "tap: brightness at velocity 110 over 40": "≥ 1.25",
    "swirl against tap, dB": "",
    "level of a tap at velocity 84, dB": "",
}
_QUIET = 30.0  # dB
_BARS = (7.8, 31.8)  # seconds: six bars after the count-in, from just before their first beat


def _drums(folder: Path) -> Voice:
    file = folder / "ballad.yaml"
    file.write_text(_BALLAD, "utf-8")
    voices = perform(arrange(charts(load(str(file)).drills[0])[0])).voices
    return next(voice for voice in voices if voice.part == "drums")


def _brushes(player: Player, voice: Voice) -> Measures:
    if not player.choose(True, KITS["brush"]):
        return {}
    played = player.strokes(voice, *_BARS, None)[RATE // 5 :]
    levels = 20 * np.log10(envelope(played) + 1e-9)
    below = levels.max() - levels
    taps = {v: player.heard(True, KEYS["brush tap"], v, 0.3, 1.0) for v in (40, _NORMAL, 110)}
    swirl = player.heard(True, KEYS["brush swirl"], _NORMAL, 1.0, 1.0)
    return {
        "ballad's bars: kit more than 30 dB below its strokes, % of the time": 100
        * float(np.mean(below > _QUIET)),
        "ballad's bars: quietest moment below the loudest stroke, dB": float(below.max()),
        "equal taps correlate": _like_strokes(player, KEYS["brush tap"], KITS["brush"]),
        "tap, −20 dB after, s": seconds_to(taps[_NORMAL], 20),
        "tap: brightness at velocity 110 over 40": centroid(taps[110]) / centroid(taps[40]),
        "swirl against tap, dB": weighted(swirl) - weighted(taps[_NORMAL][: RATE // 5]),
        "level of a tap at velocity 84, dB": weighted(taps[_NORMAL][: RATE // 5]),
    }


def _like_strokes(player: Player, key: int, kit: int) -> float:
    takes = TAKES if player.path.stem == "own" else 1  # elsewhere other programs are other kits
    strokes = [
        player.heard(True, key, _NORMAL, 0.3, 1.0)
        for take in range(takes)
        if player.choose(True, kit + take)
    ]
    player.choose(True, kit)
    strokes = strokes if len(strokes) > 1 else strokes * 2
    return max(likeness(a, b) for i, a in enumerate(strokes) for b in strokes[:i])


_CYMBAL_MARKS = {
    f"{name}: {measure}": ""
    for name in ("ride cymbal", "ride bell", "pedal hi-hat")
    for measure in (
        "−20 dB after, s",
        "−40 dB after, s",
        "brightness, Hz",
        "brighter with strength",
    )
}


def _cymbals(player: Player) -> Measures:
    if not player.choose(True, KITS["brush"]) and not player.choose(True, KITS["standard"]):
        return {}
    figures: Measures = {}
    for name in ("ride cymbal", "ride bell", "pedal hi-hat"):
        soft, normal, loud = (
            player.heard(True, KEYS[name], velocity, 6.0, 6.0) for velocity in (40, _NORMAL, 110)
        )
        figures |= {
            f"{name}: −20 dB after, s": seconds_to(normal, 20),
            f"{name}: −40 dB after, s": seconds_to(normal, 40),
            f"{name}: brightness, Hz": centroid(normal),
            f"{name}: brighter with strength": centroid(loud) / centroid(soft),
        }
    return figures


if __name__ == "__main__":
    main()
