"""Instruments that a line can be played on.

Programs are those of General MIDI Level 1, counted from 0.  Ranges are sounding and practical:
what a student plays with ease rather than all that the instrument has (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass

from drillgen.theory.pitch import Pitch


@dataclass(frozen=True, slots=True)
class Instrument:
    """A General MIDI program and the range in which a line for it lies."""

    program: int  # 0-based
    low: Pitch  # sounding
    high: Pitch  # sounding


def _row(program: int, low: str, high: str) -> Instrument:
    return Instrument(program, Pitch.parse(low), Pitch.parse(high))


INSTRUMENTS: dict[str, Instrument] = {
    "upright": _row(32, "E1", "G3"),
    "electric": _row(33, "E1", "G3"),
    "piano": _row(0, "C3", "C6"),
    "electric piano": _row(4, "C3", "C6"),
    "guitar": _row(26, "E2", "E5"),
    "vibraphone": _row(11, "F3", "F6"),
    "voice": _row(52, "G2", "D4"),
    "cello": _row(42, "C2", "G4"),
    "violin": _row(40, "G3", "E6"),
    "flute": _row(73, "C4", "C7"),
    "clarinet": _row(71, "D3", "C6"),
    "trumpet": _row(56, "E3", "Bb5"),
    "trombone": _row(57, "E2", "Bb4"),
    "alto saxophone": _row(65, "Db3", "Ab5"),
    "tenor saxophone": _row(66, "Ab2", "Eb5"),
}

BASSES = ("upright", "electric")  # what a bass player's hands and register are for
# Written an octave above their sound (common practice).
OCTAVE_HIGHER = (*BASSES, "guitar")


def written_octaves(instrument: str) -> int:
    """How many octaves higher an instrument is written than it sounds."""
    return 1 if instrument in OCTAVE_HIGHER else 0
