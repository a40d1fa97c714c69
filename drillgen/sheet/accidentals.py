"""Accidentals: which notes need one, and where a courtesy helps.

Common practice: an accidental holds to the end of its bar and for its own octave; a note tied over
the barline needs none; where a bar altered a note, the next bar shows the plain one as a courtesy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from drillgen.theory.pitch import LETTERS, Pitch


@dataclass(frozen=True, slots=True)
class Shown:
    """Whether an accidental stands before a note, and whether as a courtesy (in brackets)."""

    alter: int | None = None  # semitones of the sign; None: no sign
    courtesy: bool = False


def in_signature(letter: str, fifths: int) -> int:
    """How a signature of so many sharps (negative: flats) alters a letter."""
    place = LETTERS.index(letter)  # F C G D A E B: the order of sharps
    if fifths >= 0:
        return 1 if place < fifths else 0
    return -1 if 6 - place < -fifths else 0


def accidentals(
    signs: Sequence[tuple[Sequence[Pitch], bool]], bar_before: Sequence[Pitch], fifths: int
) -> list[tuple[Shown, ...]]:
    """The accidental of each pitch of each sign (its pitches, whether it is tied from before)."""
    valid: dict[tuple[str, int], int] = {}  # what holds on this staff line so far
    doubtful = {
        pitch.name.letter
        for pitch in bar_before
        if pitch.name.alter != in_signature(pitch.name.letter, fifths)
    }
    return [
        tuple(_shown(pitch, tied, valid, doubtful, fifths) for pitch in pitches)
        for pitches, tied in signs
    ]


def _shown(
    pitch: Pitch, tied: bool, valid: dict[tuple[str, int], int], doubtful: set[str], fifths: int
) -> Shown:
    letter, alter = pitch.name.letter, pitch.name.alter
    line = (letter, pitch.octave)
    holds = valid.get(line, in_signature(letter, fifths))
    courtesy = letter in doubtful and line not in valid
    if tied:
        return Shown()
    valid[line] = alter
    doubtful.discard(letter)
    if alter != holds:
        return Shown(alter)
    return Shown(alter, courtesy=True) if courtesy else Shown()
