"""Accidentals: which notes need one, and where a courtesy helps.

Common practice: an accidental holds to the end of its bar and for its own octave; a note tied over
the barline needs none.  A courtesy (in brackets) shows the plain note after a bar that altered it,
after a tied one, and in another octave of the same bar.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

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


def altered(pitches: Sequence[Pitch], fifths: int) -> frozenset[str]:
    """The letters that some pitches have otherwise than the signature."""
    return frozenset(p.name.letter for p in pitches if _is_altered(p, fifths))


def accidentals(
    signs: Sequence[tuple[Sequence[Pitch], bool]], doubtful: frozenset[str], fifths: int
) -> list[tuple[Shown, ...]]:
    """The accidental of each pitch of each sign of a bar (its pitches, whether it is tied from
    before); `doubtful` are the letters that the bar before has altered."""
    bar = _Bar(fifths, set(doubtful))
    return [tuple(bar.show(pitches, tied)) for pitches, tied in signs]


def _is_altered(pitch: Pitch, fifths: int) -> bool:
    return pitch.name.alter != in_signature(pitch.name.letter, fifths)


@dataclass(slots=True)
class _Bar:
    """What a reader has in mind, from left to right through a bar."""

    fifths: int
    doubtful: set[str]  # letters that may be taken for what they were before
    valid: dict[tuple[str, int], int] = field(default_factory=dict)  # by staff line

    def show(self, pitches: Sequence[Pitch], tied: bool) -> Iterator[Shown]:
        for pitch in pitches:
            if not tied:
                yield self._struck(pitch)
            else:
                if _is_altered(pitch, self.fifths):
                    self.doubtful.add(pitch.name.letter)
                yield Shown()

    def _struck(self, pitch: Pitch) -> Shown:
        letter, alter = pitch.name.letter, pitch.name.alter
        line = (letter, pitch.octave)
        holds = self.valid.get(line, in_signature(letter, self.fifths))
        courtesy = letter in self.doubtful and line not in self.valid
        self.valid[line] = alter
        self.doubtful.discard(letter)
        if alter == holds:
            return Shown(alter, courtesy=True) if courtesy else Shown()
        if _is_altered(pitch, self.fifths):
            self.doubtful.add(letter)  # in its other octaves
        return Shown(alter)
