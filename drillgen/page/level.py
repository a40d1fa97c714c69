"""How loud the page plays a drill: like its mixes, a little softer, without a limiter.

The page's parts can be turned up and its tempo changed, so there is no one mix to be limited.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from drillgen.page.copies import AUDIBLE, Needs, Player, copies
from drillgen.page.tones import trimmed
from drillgen.sound.bank import Bank
from drillgen.sound.loudness import LoudnessMeter, integrated
from drillgen.sound.mix import Placed, mixed, sides
from drillgen.sound.room import OFF
from drillgen.sound.synth import RATE

TARGET_LUFS = -19.0
_CEILING = 0.9  # of full scale: what comes near to it, the page rounds off softly
_OVER = 1.0  # dB that may be rounded off
_LISTENED = 60 * RATE  # samples


def gain(players: Sequence[Player], wanted: Needs, bank: Bank, length: int) -> float:
    """The gain in dB for all parts of a track that is `length` samples long."""
    notes = sorted(_placed(players, wanted, bank), key=lambda note: note.start)
    meter, peak = LoudnessMeter(RATE), 1e-9
    for block in mixed(notes, min(length, _LISTENED), OFF):
        meter.feed(block)
        peak = max(peak, float(np.abs(block).max()))
    loudness = integrated([meter])
    most = 20 * np.log10(_CEILING / peak) + _OVER
    return round(float(min(TARGET_LUFS - loudness, most)), 1) if np.isfinite(loudness) else 0.0


def _placed(players: Sequence[Player], wanted: Needs, bank: Bank) -> Iterator[Placed]:
    own = {stroke.note: wanted[stroke.note] for player in players for stroke in player.strokes}
    sounds = {note: trimmed(copy)[np.newaxis] for note, copy in copies(own, bank).items()}
    for player in players:
        left, right = sides(player.voice.level, player.voice.pan)
        for stroke in player.strokes:
            rate, factor = own[stroke.note].rate, 10 ** (stroke.decibels / 20)
            yield Placed(
                stroke.start,
                sounds[stroke.note],
                stroke.hold if rate else None,
                rate or AUDIBLE,
                None,
                left * factor,
                right * factor,
            )
