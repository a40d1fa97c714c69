"""The staff: a part of the score in bars of written values, ready to be engraved.

Everything a reader needs is decided here, once, for every format: values and ties, rests, beams,
triplets, accidentals with courtesies, chord symbols.  Pitches are as written for the `Reader`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby
from typing import Literal

from drillgen.chart import Span
from drillgen.drill.meter import Meter
from drillgen.score import Note
from drillgen.sheet.accidentals import Shown, accidentals, altered
from drillgen.sheet.beams import Beam, beams
from drillgen.sheet.layout import Place
from drillgen.sheet.reader import Reader
from drillgen.sheet.values import Piece, Window, pieces, rests, windows
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Pitch

# What fills a bar: the line, slashes to play over, or nothing (room to write).
Filling = Literal["notes", "slashes", "empty"]


@dataclass(frozen=True, slots=True)
class Sign:
    """One note, chord, rest or slash as written; where it stands within its bar is its piece's."""

    piece: Piece
    notes: tuple[Note, ...] = ()  # as they sound, low to high; none: a rest or a slash
    pitches: tuple[Pitch, ...] = ()  # as written
    shown: tuple[Shown, ...] = ()  # the accidental before each pitch
    tied_from: bool = False
    tied_on: bool = False
    beams: tuple[Beam, ...] = ()
    triplet: Literal["start", "stop", ""] = ""
    slash: bool = False
    hidden: bool = False  # room to write in
    fermata: bool = False


@dataclass(frozen=True, slots=True)
class Measure:
    """One bar of the staff."""

    place: Place
    filling: Filling
    signs: tuple[Sign, ...]  # none: a bar of rest, slashes or room
    spans: tuple[Span, ...]  # chords whose symbols are printed, as written
    key: Key  # as written
    meter: Meter


def measure(
    place: Place,
    notes: Sequence[Note],
    filling: Filling,
    spans: Sequence[Span],
    reader: Reader,
    meter: Meter,
) -> Measure:
    """A bar with the notes that sound in it, without its accidentals."""
    inside = [n for n in notes if n.start < place.end and n.start + n.duration > place.start]
    key = reader.key(place.key)
    written = tuple(reader.span(span, place.key) for span in spans)
    # Slashes are written one by one in a short bar and where the beat is dotted; room, always.
    counted = filling == "empty" or (filling == "slashes" and (not place.whole or meter.unit == 8))
    signs = tuple(_signs(place, inside, filling, meter)) if inside or counted else ()
    return Measure(place, filling, tuple(_pitched(signs, reader, place)), written, key, meter)


def _pitched(signs: Sequence[Sign], reader: Reader, place: Place) -> Iterator[Sign]:
    for sign in signs:
        pitches = (reader.pitch(n.pitch, place.key, _under(place, n)) for n in sign.notes)
        held = place.held and sign is signs[-1]
        yield replace(sign, pitches=tuple(pitches), fermata=held)


def _under(place: Place, note: Note) -> Span | None:
    """The chord over which a note begins; a pick-up belongs to the key and chord that follow."""
    if place.pickup:
        return None
    return next((s for s in place.bar.spans if s.start <= note.start < s.end), None)


def _signs(place: Place, notes: Sequence[Note], filling: Filling, meter: Meter) -> Iterator[Sign]:
    bar, first, last = place.bar.start, place.start - place.bar.start, place.end - place.bar.start
    edges = {edge - bar for note in notes for edge in (note.start, note.start + note.duration)}
    triplets = windows(sorted(edge for edge in edges if first < edge < last), meter)
    signs = list(_filled(place, notes, filling, meter, triplets))
    joined = beams([(sign.piece, bool(sign.notes)) for sign in signs], meter)
    for sign, of_sign in zip(signs, joined, strict=True):
        yield replace(sign, beams=of_sign, triplet=_bracket(sign.piece, triplets))


def _bracket(piece: Piece, triplets: Sequence[Window]) -> Literal["start", "stop", ""]:
    """A triplet is opened where it begins and closed where it ends."""
    if not piece.triplet:
        return ""
    if any(piece.start == window.start for window in triplets):
        return "start"
    return "stop" if any(piece.end == window.end for window in triplets) else ""


def _filled(
    place: Place,
    notes: Sequence[Note],
    filling: Filling,
    meter: Meter,
    triplets: Sequence[Window],
) -> Iterator[Sign]:
    """Notes and what lies between them: rests, or slashes or room before a pick-up."""
    bar, reached = place.bar.start, place.start - place.bar.start
    starts = groupby(sorted(notes, key=_in_order), key=lambda note: max(note.start, place.start))
    chords = [(start - bar, tuple(found)) for start, found in starts]
    for index, (start, chord) in enumerate(chords):
        yield from _between(reached, start, filling, meter, triplets)
        following = chords[index + 1][0] if index + 1 < len(chords) else place.end - bar
        end = min(*(note.start + note.duration - bar for note in chord), following)
        yield from _written(place, chord, (start, end), meter, triplets)
        reached = end
    after: Filling = filling if not chords else "notes"
    yield from _between(reached, place.end - bar, after, meter, triplets)


def _in_order(note: Note) -> tuple[Fraction, int]:
    return note.start, note.pitch.midi


def _between(
    start: Fraction, end: Fraction, filling: Filling, meter: Meter, triplets: Sequence[Window]
) -> Iterator[Sign]:
    if filling != "notes":
        while start % meter.beat == 0 and start + meter.beat <= end:
            (piece,) = pieces(start, meter.beat, meter)
            yield Sign(piece, slash=filling == "slashes", hidden=filling == "empty")
            start += meter.beat
    yield from (Sign(piece) for piece in rests(start, end - start, meter, triplets))


def _written(
    place: Place,
    chord: tuple[Note, ...],
    span: tuple[Fraction, Fraction],
    meter: Meter,
    triplets: Sequence[Window],
) -> Iterator[Sign]:
    start, end = span
    parts = list(pieces(start, end - start, meter, triplets))
    before = chord[0].start < place.start
    after = chord[0].start + chord[0].duration > place.end
    for index, piece in enumerate(parts):
        yield Sign(
            piece,
            chord,
            tied_from=index > 0 or before,
            tied_on=index < len(parts) - 1 or after,
        )


def with_accidentals(found: Sequence[Measure]) -> Iterator[Measure]:
    """The bars of one key, with the accidentals that each needs after the one before."""
    doubtful: frozenset[str] = frozenset()
    for each in found:
        fifths = each.key.signature
        shown = accidentals(
            [(sign.pitches, sign.tied_from) for sign in each.signs], doubtful, fifths
        )
        signs = zip(each.signs, shown, strict=True)
        yield replace(each, signs=tuple(replace(sign, shown=marks) for sign, marks in signs))
        doubtful = altered([p for sign in each.signs for p in sign.pitches], fifths)


def rows_of(sign: Sign, texts: Mapping[Note, str]) -> str:
    """What a row under the staff says of a sign; nothing where it is only tied on."""
    if sign.tied_from:
        return ""
    return " ".join(texts[note] for note in sign.notes if texts.get(note))
