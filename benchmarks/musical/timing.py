"""Time, read from the MIDI files: swing, the line's delay, and how the players are together."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator
from io import BytesIO
from itertools import combinations
from statistics import mean, pstdev
from typing import Any

import mido

from benchmarks.musical.corpus import FORMS, one
from benchmarks.musical.figure import Figure
from drillgen.band.feel import KEYS
from drillgen.midi import TICKS, midi_files
from drillgen.performance import CHANNELS, PERCUSSION_CHANNEL, perform

TEMPOS = (100, 120, 160, 200, 240, 280)
_FRIBERG = "Friberg & Sundström 2002, regression of the KTH rule source"
_JTD = "Jazz Trio Database: 10 to 90 % of tracks"
_RATIOS = {120: (1.8, 3.0), 160: (2.2, 2.7), 200: (1.7, 2.2), 280: (1.3, 2.2)}
_NAMES = {number: name for name, number in CHANNELS.items()} | {PERCUSSION_CHANNEL: "drums"}
_NEAR = 60  # ms: a played note belongs to the written place this near

Onsets = dict[str, list[tuple[int, int]]]  # by part: tick and MIDI key, in order


def timing() -> Iterator[Figure]:
    for bpm in TEMPOS:
        yield from _swing(bpm)
    for bpm in (60, *TEMPOS):
        yield from _together(bpm)


def onsets(**drill: Any) -> Onsets:
    """Where the notes of a blues in F begin, after a count-in of two bars, in ticks."""
    score = one(progression=FORMS["blues"], key_cycle="F", passes=4, **drill)
    file = mido.MidiFile(file=BytesIO(midi_files(perform(score), "blues", [()])[0]))
    found: Onsets = defaultdict(list)
    for track in file.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "note_on" and message.velocity and tick > 8 * TICKS - TICKS // 8:
                found[_NAMES[message.channel]].append((tick, message.note))
    return found


def _swing(bpm: int) -> Iterator[Figure]:
    """The ride's offbeats on the grid, and the line's as it is played."""
    drums = onsets(tempo=bpm, timing="exact", band={"drums": "sticks"})["drums"]
    off = mean(t % TICKS for t, key in drums if key == KEYS["ride cymbal"] and t % TICKS > 2)
    ratio = off / (TICKS - off)
    yield Figure(f"swing of the ride at {bpm}, exact", ratio, _RATIOS.get(bpm), _JTD)
    short = (TICKS - off) / TICKS * 60000 / bpm
    if bpm >= 120:
        yield Figure(f"short note of the ride at {bpm}, ms", short, (80, 150), _FRIBERG)
    played = onsets(tempo=bpm, line={"kind": "arpeggio", "note": "eighth"},
                    band={"click": "beats"})["line"]  # fmt: skip
    places = [(t + TICKS // 10) % TICKS - TICKS // 10 for t, _ in played]
    late = mean(place for place in places if place < TICKS / 3)
    offbeat = mean(place for place in places if place > TICKS / 3)
    own = (offbeat - late) / (TICKS - offbeat + late)
    yield Figure(f"swing of the line at {bpm}", own, (1, 2.8), "below the drums'")
    ms = 60000 / bpm / TICKS
    most = min(95.68 - 0.2718 * bpm, 30) + 3
    yield Figure(f"line late on the beat at {bpm}, ms", late * ms, (0, most),
                 f"at most the soloists' and 30; {_FRIBERG}")  # fmt: skip


def _together(bpm: int) -> Iterator[Figure]:
    """How far the band's players, and a line of quarters with them, are apart at one written place,
    and from the grid; `benchmarks.players` has more of it."""
    drill = {"tempo": bpm, "band": {"drums": "sticks", "comping": "piano", "bass": "walking"},
             "line": {"kind": "guide tones", "rhythm": "quarter"}}  # fmt: skip
    exact, loose = onsets(**drill, timing="exact"), onsets(**drill)
    grid = sorted({tick for notes in exact.values() for tick, _ in notes})
    ms = 60000 / bpm / TICKS
    moved: dict[int, dict[str, float]] = defaultdict(dict)
    for part, notes in loose.items():
        for tick, _ in notes:
            place = _nearest(grid, tick)
            if abs(tick - place) * ms <= _NEAR:
                moved[place][part] = (tick - place) * ms
    apart = [abs(a - b) for by in moved.values() for a, b in combinations(by.values(), 2)]
    yield Figure(f"band and a line of quarters apart at {bpm}, mean, ms", mean(apart), (0, 25),
                 "players: 41 % of beats more than 19 ms (Jazz Trio Database)")  # fmt: skip
    drums = [by["drums"] for by in moved.values() if "drums" in by]
    yield Figure(f"drums' variation against the grid at {bpm}, ms", pstdev(drums), (10, 27),
                 "within 32 beats 10 to 23 (Jazz Trio Database)")  # fmt: skip


def _nearest(grid: list[int], tick: int) -> int:
    index = bisect_left(grid, tick)
    return min(grid[max(index - 1, 0) : index + 1], key=lambda place: abs(place - tick))
