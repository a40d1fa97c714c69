"""The staff: a part of the score in bars of written values, ready to be engraved.

Everything a reader needs is decided here, once, for every format: values and ties, rests, beams,
triplets, accidentals with courtesies, chord symbols.  Pitches are as written for the reader
(`Reader`): a double bass is written an octave above its sound.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby
from typing import Literal

from drillgen.chart import Bar, Chart, Span
from drillgen.drill.meter import Meter
from drillgen.score import Note
from drillgen.sheet.accidentals import Shown, accidentals
from drillgen.sheet.values import Piece, pieces
from drillgen.theory.pitch import Pitch

Beam = Literal["begin", "continue", "end"]
_BEAMED = {"eighth": 1, "16th": 2, "32nd": 3}  # how many beams a value has


@dataclass(frozen=True, slots=True)
class Sign:
    """One note, chord or rest as written."""

    piece: Piece
    pitches: tuple[Pitch, ...] = ()  # as written, low to high; none: a rest
    shown: tuple[Shown, ...] = ()  # the accidental before each pitch
    tied_from: bool = False
    tied_on: bool = False
    beam: Beam | None = None
    triplet: Literal["start", "stop", ""] = ""
    mark: str = ""  # what the note is for: "3", "b7", …; on the first of tied signs


@dataclass(frozen=True, slots=True)
class Measure:
    """One bar of the staff."""

    bar: Bar
    signs: tuple[Sign, ...]
    spans: tuple[Span, ...]  # chords that begin in this bar
    key_fifths: int  # of the signature in force, as written


def measures(
    chart: Chart, notes: Sequence[Note], bars: Sequence[Bar], octaves: int = 0
) -> tuple[Measure, ...]:
    """Some bars of a part; `octaves` is how much higher it is written than it sounds."""
    written = [replace(note, pitch=note.pitch.octaves(octaves)) for note in notes]
    plain = [
        Measure(bar, tuple(_signs(bar, written, chart.drill.meter)), bar.spans, bar.key.signature)
        for bar in bars
    ]
    return tuple(_with_accidentals(plain))


def _signs(bar: Bar, notes: Sequence[Note], meter: Meter) -> Iterator[Sign]:
    inside = [
        note for note in notes if note.start < bar.end and note.start + note.duration > bar.start
    ]
    signs = list(_filled(bar, sorted(inside, key=lambda n: (n.start, n.pitch.midi)), meter))
    return _beamed(_grouped(signs, meter), meter)


def _filled(bar: Bar, notes: Sequence[Note], meter: Meter) -> Iterator[Sign]:
    """Notes and the rests between them, in written values."""
    place = Fraction(0)
    for start, found in groupby(notes, key=lambda note: max(note.start, bar.start) - bar.start):
        chord = list(found)
        yield from (Sign(piece) for piece in pieces(place, start - place, meter))
        end = min(max(note.start + note.duration for note in chord), bar.end) - bar.start
        yield from _written(bar, chord, start, end, meter)
        place = end
    if place == 0:
        yield Sign(Piece(Fraction(0), bar.length, "whole", 0, triplet=False))
    else:
        yield from (Sign(piece) for piece in pieces(place, bar.length - place, meter))


def _written(
    bar: Bar, chord: Sequence[Note], start: Fraction, end: Fraction, meter: Meter
) -> Iterator[Sign]:
    parts = list(pieces(start, end - start, meter))
    first, last = chord[0].start < bar.start, chord[0].start + chord[0].duration > bar.end
    for index, piece in enumerate(parts):
        tied_from = index > 0 or first
        yield Sign(
            piece,
            tuple(note.pitch for note in chord),
            tied_from=tied_from,
            tied_on=index < len(parts) - 1 or last,
            mark="" if tied_from else " ".join(note.mark for note in chord),
        )


def _grouped(signs: Sequence[Sign], meter: Meter) -> Iterator[Sign]:
    """Brackets: a triplet is opened at its beat and closed at the beat's end."""
    for sign in signs:
        start, end = sign.piece.start % meter.beat, sign.piece.start + sign.piece.length
        if not sign.piece.triplet:
            yield sign
        elif start == 0:
            yield replace(sign, triplet="start")
        else:
            yield replace(sign, triplet="stop" if end % meter.beat == 0 else "")


def _beamed(signs: Iterator[Sign], meter: Meter) -> Iterator[Sign]:
    """Beams join neighbouring short notes within a beat (common practice)."""

    def joined(sign: Sign) -> tuple[bool, Fraction]:
        short = bool(sign.pitches) and sign.piece.value in _BEAMED
        return short, Fraction(sign.piece.start // meter.beat) if short else sign.piece.start

    for (short, _), found in groupby(signs, key=joined):
        group = list(found)
        if not short or len(group) < 2:
            yield from group
            continue
        yield replace(group[0], beam="begin")
        yield from (replace(sign, beam="continue") for sign in group[1:-1])
        yield replace(group[-1], beam="end")


def beams(sign: Sign) -> int:
    """How many beams or flags a sign has."""
    return _BEAMED.get(sign.piece.value, 0)


def _with_accidentals(found: Sequence[Measure]) -> Iterator[Measure]:
    before: Measure | None = None
    for measure in found:
        altered = before.signs if before is not None else ()
        shown = accidentals(
            [(sign.pitches, sign.tied_from) for sign in measure.signs],
            [pitch for sign in altered for pitch in sign.pitches],
            measure.key_fifths,
        )
        signs = tuple(
            replace(sign, shown=marks) for sign, marks in zip(measure.signs, shown, strict=True)
        )
        before = replace(measure, signs=signs)
        yield before
