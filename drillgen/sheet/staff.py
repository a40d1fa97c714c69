"""The staff: a part of the score in bars of written values, ready to be engraved.

Everything a reader needs is decided here, once, for every format: values and ties, rests, beams,
triplets, accidentals with courtesies, chord symbols.  Pitches are as written for the `Reader`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Literal

from quicktions import Fraction

from drillgen.chart import Span
from drillgen.drill.bars import Meter
from drillgen.score import Note
from drillgen.sheet.layout import SheetBar
from drillgen.sheet.reader import Reader
from drillgen.sheet.values import Piece, Window, pieces, rests, windows
from drillgen.theory.pitch import LETTERS, Key, Pitch

# Accidentals: which notes need one, and where a courtesy helps.
#
# Common practice: an accidental holds to the end of its bar and for its own octave; a note tied
# over the barline needs none. A courtesy (in brackets) shows the plain note after a bar that
# altered it, after a tied one, and in another octave of the same bar.


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


# Beams: short notes joined so that a reader sees the beats.
#
# By the beat (the dotted quarter in 6/8 and 12/8); four plain eighths that fill half a bar of four,
# or a bar of two, share one beam, as is usual in jazz parts (common practice). Rests part beams.

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


# What fills a bar: the line, slashes to play over, one that is held, or nothing (room to write).
Filling = Literal["notes", "slashes", "held", "empty"]


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

    place: SheetBar
    filling: Filling
    signs: tuple[Sign, ...]  # none: a bar of rest, slashes or room
    spans: tuple[Span, ...]  # chords whose symbols are printed, as written
    key: Key  # as written
    meter: Meter


def measure(
    place: SheetBar,
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
    # Slashes and room are written beat by beat (programs that read MusicXML lose a `<slash>`),
    # rests in a short bar.
    counted = filling != "notes" or not place.whole
    signs = tuple(_signs(place, inside, filling, meter)) if inside or counted else ()
    return Measure(place, filling, tuple(_pitched(signs, reader, place)), written, key, meter)


def _pitched(signs: Sequence[Sign], reader: Reader, place: SheetBar) -> Iterator[Sign]:
    for sign in signs:
        pitches = (reader.pitch(n.pitch, place.key, _under(place, n)) for n in sign.notes)
        held = place.held and sign is signs[-1]
        yield replace(sign, pitches=tuple(pitches), fermata=held)


def _under(place: SheetBar, note: Note) -> Span | None:
    """The chord over which a note begins; a pick-up belongs to the key and chord that follow."""
    return None if place.pickup else place.bar.span_at(note.start)


def _signs(
    place: SheetBar, notes: Sequence[Note], filling: Filling, meter: Meter
) -> Iterator[Sign]:
    bar, first, last = place.bar.start, place.start - place.bar.start, place.end - place.bar.start
    edges = {edge - bar for note in notes for edge in (note.start, note.start + note.duration)}
    triplets = windows(sorted(edge for edge in edges if first < edge < last), meter)
    signs = list(_filled(place, notes, filling, meter, triplets))
    joined = beams([(sign.piece, bool(sign.notes)) for sign in signs], meter)
    for sign, of_sign in zip(signs, joined, strict=True):
        yield replace(sign, beams=of_sign, triplet=_bracket(sign.piece, triplets, (first, last)))


def _bracket(
    piece: Piece, triplets: Sequence[Window], shown: tuple[Fraction, Fraction]
) -> Literal["start", "stop", ""]:
    """A triplet is opened where it begins and closed where it ends, or where a pick-up's measure,
    of which only so much is shown, begins and ends within it."""
    if not piece.triplet:
        return ""
    first, last = shown
    if any(piece.start == max(window.start, first) for window in triplets):
        return "start"
    return "stop" if any(piece.end == min(window.end, last) for window in triplets) else ""


def _filled(
    place: SheetBar,
    notes: Sequence[Note],
    filling: Filling,
    meter: Meter,
    triplets: Sequence[Window],
) -> Iterator[Sign]:
    """Notes and what lies between them: rests, or slashes or room before a pick-up."""
    if filling == "held":
        yield from _held(place, meter)
        return
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


def _held(place: SheetBar, meter: Meter) -> Iterator[Sign]:
    """A slash as long as the bar, tied on to the last bar of those in which a chord is held."""
    parts = list(pieces(Fraction(0), place.end - place.start, meter))
    for index, piece in enumerate(parts):
        before, after = index > 0 or not place.bar.starts_section, piece is not parts[-1]
        yield Sign(piece, slash=True, tied_from=before, tied_on=after or not place.held)


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
    place: SheetBar,
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
