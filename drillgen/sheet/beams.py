"""Beams: short notes joined so that a reader sees the beats.

By the beat (the dotted quarter in 6/8 and 12/8); four plain eighths that fill half a bar of four,
or a bar of two, share one beam, as is usual in jazz parts (common practice).  Rests part beams.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from fractions import Fraction
from itertools import groupby
from typing import Literal

from drillgen.drill.meter import Meter
from drillgen.sheet.values import Piece

Beam = Literal["begin", "continue", "end", "forward hook", "backward hook"]
_BEAMED = {"eighth": 1, "16th": 2, "32nd": 3, "64th": 4}  # how many beams a value has
_HALF_BARS = ("4/4", "2/4")
_HALF_BAR = Fraction(2)
_EIGHTH = Fraction(1, 2)


def beams(signs: Sequence[tuple[Piece, bool]], meter: Meter) -> list[tuple[Beam, ...]]:
    """The beams of each sign of a bar (its value, whether it is a note), the outermost first."""
    halves = _filled_halves(signs, meter)

    def group(sign: tuple[Piece, bool]) -> tuple[bool, Fraction]:
        return _group(*sign, meter, halves)

    found: list[tuple[Beam, ...]] = []
    for (short, _), members in groupby(signs, key=group):
        together = [piece for piece, _ in members]
        joined = short and len(together) > 1
        found += _joined(together) if joined else [()] * len(together)
    return found


def _group(
    piece: Piece, note: bool, meter: Meter, halves: Collection[Fraction]
) -> tuple[bool, Fraction]:
    """What a sign is beamed with: notes of one beat, or of one half filled with eighths."""
    if not note or piece.value not in _BEAMED:
        return False, piece.start
    half = piece.start // _HALF_BAR * _HALF_BAR
    return True, half if half in halves else piece.start // meter.beat * meter.beat


def _filled_halves(signs: Sequence[tuple[Piece, bool]], meter: Meter) -> set[Fraction]:
    """Where the halves begin that hold four plain eighth notes and nothing else."""
    if meter.text not in _HALF_BARS:
        return set()
    plain = [p.start for p, note in signs if note and p.length == _EIGHTH and not p.triplet]
    halves = {start // _HALF_BAR * _HALF_BAR for start in plain}
    return {h for h in halves if sum(h <= start < h + _HALF_BAR for start in plain) == 4}


def _joined(group: Sequence[Piece]) -> list[tuple[Beam, ...]]:
    counts = [_BEAMED[piece.value] for piece in group]
    return [tuple(_levels(counts, index)) for index in range(len(counts))]


def _levels(counts: Sequence[int], index: int) -> Iterator[Beam]:
    """Each beam of a note: joined to neighbours that have it too, else a hook."""
    for level in range(1, counts[index] + 1):
        before = index > 0 and counts[index - 1] >= level
        after = index + 1 < len(counts) and counts[index + 1] >= level
        if before and after:
            yield "continue"
        elif before or after:
            yield "begin" if after else "end"
        else:
            yield "forward hook" if index == 0 else "backward hook"
