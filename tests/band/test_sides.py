"""Bossa nova and samba: everybody plays the same side.  Read from MIDI files by mido."""

from __future__ import annotations

from collections import defaultdict
from io import BytesIO
from typing import Any

import mido
import pytest
from quicktions import Fraction

from drillgen.midi import TICKS, midi_files
from drillgen.performance import perform
from tests.band.playing import only, written
from tests.rows import with_each

SIDE_STICK, SNARE, CHORDS = (9, 37), (9, 38), (0, 0)  # channel and GM key; chords have any key
CLAVE = {"three": {0, Fraction(3, 2), 3}, "two": {1, Fraction(5, 2)}}
# What belongs to one bar of the clave and contradicts the other (common practice).
ONLY = {"three": {Fraction(3, 2), Fraction(3)}, "two": {Fraction(1), Fraction(5, 2)}}
OTHER = {"three": "two", "two": "three"}

Bars = dict[int, dict[Fraction, int]]


def struck(beats: int = 4, **drill: Any) -> dict[tuple[int, int], Bars]:
    """By channel and MIDI key: of each bar, where it is struck (quarters) and how hard."""
    plain = {"timing": "exact", "ending": "none", "count_in": 0, "passes": 2} | drill
    file = mido.MidiFile(file=BytesIO(midi_files(perform(written(**plain)), "sides", [()])[0]))
    found: dict[tuple[int, int], Bars] = defaultdict(lambda: defaultdict(dict))
    for track in file.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "note_on" and message.velocity:
                place = Fraction(round(Fraction(tick * 8, TICKS)), 8)
                key = message.note if message.channel == 9 else 0
                bar = found[message.channel, key][int(place // beats)]
                bar[place % beats] = max(message.velocity, bar.get(place % beats, 0))
    return found


def side_of(bar: set[Fraction]) -> str:
    return min(CLAVE, key=lambda side: len(CLAVE[side] ^ bar))


@pytest.mark.parametrize("player", ["piano", "guitar", "vibraphone"])
@with_each("seed", range(2))
@with_each("density", [0.2, 0.5, 1.0])
def test_bossa_nova_comping_agrees_with_the_clave(player: str, seed: int, density: float) -> None:
    """Where the cross-stick has three strokes (1, & of 2, 4) no chord falls on 2 or & of 3, where
    it has two (2, & of 3) none falls on & of 2 or 4; sides do not change (common practice)."""
    comping = {"kind": player, "density": density}
    band = only("drums", {"kind": "sticks", "density": 0}, comping=comping)
    found = struck(feel="bossa nova", tempo=130, seed=seed, band=band)
    sticks, chords = found[SIDE_STICK], found[CHORDS]
    (first,) = {side_of(set(sticks[bar])) for bar in range(0, 16, 2)}
    assert all(set(sticks[bar]) == CLAVE[OTHER[first]] for bar in range(1, 7, 2))
    for bar in range(16):
        here = first if bar % 2 == 0 else OTHER[first]
        assert not set(chords[bar]) & ONLY[OTHER[here]], bar


@pytest.mark.parametrize(("meter", "beats", "late"), [("4/4", 4, 2), ("2/4", 2, 4)])
@with_each("seed", range(3))
def test_samba_comping_agrees_with_the_snare(meter: str, beats: int, late: int, seed: int) -> None:
    """Of two bars one begins on the beat and one just after it: wherever a chord comes just after
    the first beat, the snare is stronger there than on it, too, and all such bars are on one side
    (common practice)."""
    band = {"drums": "sticks", "comping": {"kind": "guitar", "density": 0.7}}
    found = struck(beats, feel="samba", meter=meter, tempo=100, seed=seed, band=band, passes=4)
    chords, snare, after = found[CHORDS], found[SNARE], Fraction(1, late)
    bars = [bar for bar in range(32) if after in chords[bar]]
    assert len(bars) > 3 and len({bar % 2 for bar in bars}) == 1
    for bar in bars:
        assert snare[bar][after] > snare[bar].get(Fraction(0), 0)


def test_tracks_begin_on_either_side() -> None:
    """Some seeds begin with the clave's three strokes, others with its two, and the chords with
    them."""
    firsts = {
        0 in struck(feel="bossa nova", seed=seed, passes=1)[SIDE_STICK][0] for seed in range(6)
    }
    assert firsts == {True, False}
