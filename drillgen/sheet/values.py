"""Written note values: how a length in a bar is divided so that a reader sees the beats.

Common practice (music engraving; as in E. Gould, "Behind Bars", 2011, from memory): a note that
hides the middle of a bar of four, or begins off the beat and runs over the next beat, is tied
there; quarter-half-quarter, a quarter and a dotted half, eighth-quarter-eighth, and values that
begin a bar or its half, are written plainly.  A five-four bar is three and two.  Rests are
stricter: each beat is seen, none is dotted in simple time, and two beats are one rest only in their
own half of a bar.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil

from quicktions import Fraction

from drillgen.drill.bars import Meter

# Name (MusicXML's `type`), dots, by length in quarter notes; the longest first.
VALUES: dict[Fraction, tuple[str, int]] = {
    Fraction(6): ("whole", 1),
    Fraction(4): ("whole", 0),
    Fraction(3): ("half", 1),
    Fraction(2): ("half", 0),
    Fraction(3, 2): ("quarter", 1),
    Fraction(1): ("quarter", 0),
    Fraction(3, 4): ("eighth", 1),
    Fraction(1, 2): ("eighth", 0),
    Fraction(3, 8): ("16th", 1),
    Fraction(1, 4): ("16th", 0),
    Fraction(1, 8): ("32nd", 0),
    Fraction(1, 16): ("64th", 0),
}
# In a triplet three stand for two: the written value is half as long again.
TRIPLET = (3, 2)
_TRIPLET = Fraction(*TRIPLET)
# Where a meter's groups begin, in quarter notes.
GROUPS: dict[str, tuple[Fraction, ...]] = {
    "4/4": (Fraction(0), Fraction(2)),
    "5/4": (Fraction(0), Fraction(3)),
    "12/8": (Fraction(0), Fraction(3)),
    "6/8": (Fraction(0), Fraction(3, 2)),
}
# Where one rest may stand for two beats, in quarter notes.
_HALVES: dict[str, tuple[Fraction, ...]] = {
    "4/4": (Fraction(0), Fraction(2)),
    "5/4": (Fraction(3),),
    "12/8": (Fraction(0), Fraction(3)),
}
_HALF = Fraction(1, 2)


@dataclass(frozen=True, slots=True)
class Piece:
    """One written value, the whole of a note or rest or one of its tied parts."""

    start: Fraction  # quarter notes from the barline
    length: Fraction  # as it sounds
    value: str  # MusicXML's `type`
    dots: int
    triplet: bool

    @property
    def end(self) -> Fraction:
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of a bar that is divided in threes: a beat, half a beat, or two beats."""

    start: Fraction  # quarter notes from the barline
    end: Fraction


def windows(points: Sequence[Fraction], meter: Meter) -> tuple[Window, ...]:
    """The triplets of a bar, from the places (quarter notes) where its notes begin and end."""
    found: list[Window] = []
    place = Fraction(0)
    while place < meter.bar:
        width = next((w for w in _widths(place, meter) if _in_threes(points, place, w)), None)
        window = Window(place, place + width) if width else _uneven(points, place, meter)
        if window:
            found.append(window)
        place = ceil(window.end / _HALF) * _HALF if window else place + _HALF
    return tuple(found)


def _uneven(points: Sequence[Fraction], place: Fraction, meter: Meter) -> Window | None:
    """The triplet of half a beat in which other parts than thirds begin; None where all are halves.

    It is one off the half beat (s, three st, s) where that leaves nothing uneven beside it.
    """
    later = place + _HALF / 2
    beside = [p for p in points if place < p < place + 2 * _HALF and not 0 < p - later < _HALF]
    if not any(_is_uneven(p) for p in points if place < p < place + _HALF):
        return None
    in_the_beat = later % meter.beat + _HALF <= meter.beat
    if in_the_beat and _in_threes(points, later, _HALF) and not any(map(_is_uneven, beside)):
        return Window(later, later + _HALF)
    return Window(place, place + _HALF)


def _is_uneven(place: Fraction) -> bool:
    """Whether no halving of a quarter note leads there."""
    return bool(place.denominator & (place.denominator - 1))


def _widths(place: Fraction, meter: Meter) -> Iterator[Fraction]:
    """How long a triplet that begins here may be; two beats only in their half of the bar."""
    room = meter.bar - place
    if place % 2 == 0 and room >= 2 and meter.unit == 4:
        yield Fraction(2)
    if place % 1 == 0 and room >= 1:
        yield Fraction(1)
    yield _HALF


def _in_threes(points: Sequence[Fraction], start: Fraction, width: Fraction) -> bool:
    inside = [(point - start) / width for point in points if start < point < start + width]
    thirds = any(share in (Fraction(1, 3), Fraction(2, 3)) for share in inside)
    whole = all(3 * share % 1 == 0 for share in inside)
    sixths = width == 1 and all(6 * share % 1 == 0 and share != _HALF for share in inside)
    return thirds and (whole or sixths)


def pieces(
    start: Fraction, length: Fraction, meter: Meter, triplets: Sequence[Window] = ()
) -> Iterator[Piece]:
    """A note inside one bar as the values that write it, from left to right, tied together."""
    for begin, end, window in _cut(start, start + length, triplets):
        place = begin
        while place < end:
            whole = window is not None and _written(end - place, window) is not None
            reach = end if whole else _reach(place, end, meter, window)
            yield _piece(place, reach - place, window)
            place = reach


def rests(
    start: Fraction, length: Fraction, meter: Meter, triplets: Sequence[Window] = ()
) -> Iterator[Piece]:
    """A silence inside one bar as the rests that write it, from left to right."""
    for begin, end, window in _cut(start, start + length, triplets):
        place = begin
        while place < end:
            fits = (v for v in _rest_values(place, meter, window) if place + v <= end)
            value = next(fits, end - place)
            yield _piece(place, value, window)
            place += value


def _cut(
    start: Fraction, end: Fraction, triplets: Sequence[Window]
) -> Iterator[tuple[Fraction, Fraction, Window | None]]:
    """A length cut at the edges of the triplets that it is divided by.

    A triplet that it fills is none: nothing divides it there.
    """
    divided = [t for t in triplets if t.start < end and start < t.end]
    divided = [t for t in divided if not (start <= t.start and t.end <= end)]
    edges = sorted({start, end, *(e for t in divided for e in (t.start, t.end) if start < e < end)})
    for begin, stop in pairwise(edges):
        inside = (t for t in divided if t.start <= begin and stop <= t.end)
        yield begin, stop, next(inside, None)


def _written(length: Fraction, window: Window | None) -> Fraction | None:
    """The plain value that writes a length; None where there is none."""
    value = length * _TRIPLET if window else length
    return value if value in VALUES else None


def _piece(start: Fraction, length: Fraction, window: Window | None) -> Piece:
    value, dots = VALUES[length * _TRIPLET if window else length]
    return Piece(start, length, value, dots, triplet=window is not None)


def _reach(start: Fraction, end: Fraction, meter: Meter, window: Window | None) -> Fraction:
    """How far the next value may go."""
    barriers = _barriers(start, end, meter)
    first = min({end, *barriers})
    if _written(first - start, window):
        return first
    beat = first // meter.beat * meter.beat
    if start < beat < first and _written(beat - start, window):
        return beat
    lengths = (value / _TRIPLET if window else value for value in VALUES)
    return start + next(length for length in lengths if length <= first - start)


def _barriers(start: Fraction, end: Fraction, meter: Meter) -> set[Fraction]:
    """Places inside the note that must be seen: the bar's groups, and beats where it is offbeat."""
    whole = end == meter.bar and end in VALUES
    if start == 0 and (whole or _plain_from_the_bar(end, meter)):
        return set()
    groups = {at for at in GROUPS.get(meter.text, (Fraction(0),)) if start < at < end}
    if groups and meter.text == "4/4" and start == 1 and end in (3, 4):
        return set()  # quarter, half, quarter; quarter, dotted half
    if start % meter.beat == 0:
        return groups
    following = (start // meter.beat + 1) * meter.beat
    half_beat = meter.beat / 2
    if not groups and start % half_beat == 0 and end == following + half_beat:
        return set()  # eighth, quarter, eighth within a half of the bar
    return groups | ({following} if following < end else set())


def _plain_from_the_bar(end: Fraction, meter: Meter) -> bool:
    """Dotted halves may begin a bar of four or five."""
    return meter.text in ("4/4", "5/4") and end == Fraction(3)


def _rest_values(place: Fraction, meter: Meter, window: Window | None) -> Iterator[Fraction]:
    """The rests that may begin at a place, in quarter notes, the longest first."""
    if window:
        unit = (window.end - window.start) / 3
        yield from (unit * share for share in (2, 1) if (place - window.start) % unit == 0)
        yield from (unit / 2, unit / 4)
        return
    into = place % meter.beat
    if place in _HALVES.get(meter.text, ()):
        yield 2 * meter.beat
    if into == 0:
        yield meter.beat
    if into == 0 and meter.unit == 8:
        yield Fraction(1)  # the first two eighths of a dotted beat
    yield from (v for v in VALUES if v <= _HALF and place % v == 0 and v.numerator == 1)
