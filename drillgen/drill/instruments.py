"""Instruments that a line can be played on, and how their players read.

Programs are those of General MIDI Level 1, counted from 0.  Ranges are sounding and practical:
what a student plays with ease rather than all that the instrument has.  Clefs and transpositions
are those of modern parts: a double bass is written an octave above its sound, a B flat trumpet a
major second, an alto saxophone a major sixth (all common practice).
"""

from __future__ import annotations

from dataclasses import dataclass

from drillgen.theory.pitch import Pitch

CLEFS = ("bass", "treble", "alto", "tenor")


@dataclass(frozen=True, slots=True)
class Transposition:
    """From how it sounds to how it is written."""

    fifths: int = 0  # along the line of fifths: 2 for a B flat instrument
    semitones: int = 0  # upwards: 2 for a trumpet, 14 for a tenor saxophone

    @property
    def pitch(self) -> str:
        """The name of the note that its C sounds: 'B♭'; '' at concert pitch."""
        return {0: "", 1: "F", 2: "B♭", 3: "E♭"}[self.fifths]


CONCERT = Transposition()
OCTAVE = Transposition(0, 12)
IN_B_FLAT = Transposition(2, 2)
IN_B_FLAT_LOW = Transposition(2, 14)
IN_E_FLAT = Transposition(3, 9)
IN_E_FLAT_LOW = Transposition(3, 21)


@dataclass(frozen=True, slots=True)
class Instrument:
    """A General MIDI program, the range in which a line for it lies, and how it is written."""

    program: int  # 0-based
    low: Pitch  # sounding
    high: Pitch  # sounding
    clef: str = "treble"
    written: Transposition = CONCERT


def _row(
    program: int, low: str, high: str, clef: str = "treble", written: Transposition = CONCERT
) -> Instrument:
    return Instrument(program, Pitch.parse(low), Pitch.parse(high), clef, written)


INSTRUMENTS: dict[str, Instrument] = {
    "upright": _row(32, "E1", "G3", "bass", OCTAVE),
    "electric": _row(33, "E1", "G3", "bass", OCTAVE),
    "piano": _row(0, "C3", "C6"),
    "electric piano": _row(4, "C3", "C6"),
    "guitar": _row(26, "E2", "E5", "treble", OCTAVE),
    "vibraphone": _row(11, "F3", "F6"),
    "voice": _row(52, "G2", "D4", "bass"),
    "cello": _row(42, "C2", "G4", "bass"),
    "viola": _row(41, "C3", "E5", "alto"),
    "violin": _row(40, "G3", "E6"),
    "flute": _row(73, "C4", "C7"),
    "clarinet": _row(71, "D3", "C6", "treble", IN_B_FLAT),
    "trumpet": _row(56, "E3", "Bb5", "treble", IN_B_FLAT),
    "trombone": _row(57, "E2", "Bb4", "bass"),
    "soprano saxophone": _row(64, "Ab3", "Eb6", "treble", IN_B_FLAT),
    "alto saxophone": _row(65, "Db3", "Ab5", "treble", IN_E_FLAT),
    "tenor saxophone": _row(66, "Ab2", "Eb5", "treble", IN_B_FLAT_LOW),
    "baritone saxophone": _row(67, "Db2", "Ab4", "treble", IN_E_FLAT_LOW),
}

BASSES = ("upright", "electric")  # what a bass player's hands and register are for
