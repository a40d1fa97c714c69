"""Written note values: how a length in a bar is divided so that a reader sees the beats.

Common practice (music engraving): a note that hides the middle of a bar of four, or begins off the
beat and runs over the next beat, is tied there; quarter-half-quarter, eighth-quarter-eighth, and
values that begin a bar or its half, are written plainly.  A five-four bar is three and two.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from drillgen.drill.meter import Meter

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
    Fraction(1, 4): ("16th", 0),
    Fraction(1, 8): ("32nd", 0),
}
# In a triplet three stand for two: the written value is half as long again.
TRIPLET = (3, 2)
# Where a meter's groups begin, in quarter notes.
GROUPS: dict[str, tuple[Fraction, ...]] = {
    "4/4": (Fraction(0), Fraction(2)),
    "5/4": (Fraction(0), Fraction(3)),
    "12/8": (Fraction(0), Fraction(3)),
    "6/8": (Fraction(0), Fraction(3, 2)),
}


@dataclass(frozen=True, slots=True)
class Piece:
    """One written value, the whole of a note or rest or one of its tied parts."""

    start: Fraction  # quarter notes from the barline
    length: Fraction  # as it sounds
    value: str  # MusicXML's `type`
    dots: int
    triplet: bool


def pieces(start: Fraction, length: Fraction, meter: Meter) -> Iterator[Piece]:
    """A note or rest inside one bar as the values that write it, from left to right."""
    end = start + length
    while start < end:
        reach = _reach(start, end, meter)
        yield _piece(start, reach - start)
        start = reach


def _piece(start: Fraction, length: Fraction) -> Piece:
    if length in VALUES:
        value, dots = VALUES[length]
        return Piece(start, length, value, dots, triplet=False)
    value, dots = VALUES[length * TRIPLET[0] / TRIPLET[1]]
    return Piece(start, length, value, dots, triplet=True)


def _reach(start: Fraction, end: Fraction, meter: Meter) -> Fraction:
    """How far the next value may go."""
    stops = sorted({end, *_barriers(start, end, meter)})
    first = stops[0]
    for stop in stops:
        if _writable(start, stop - start, meter):
            first = stop
        if stop in _barriers(start, end, meter):
            break
    return first if _writable(start, first - start, meter) else _largest(start, first, meter)


def _writable(start: Fraction, length: Fraction, meter: Meter) -> bool:
    if length in VALUES:
        return True
    into = start % meter.beat
    return length * Fraction(*TRIPLET) in VALUES and into + length <= meter.beat


def _largest(start: Fraction, end: Fraction, meter: Meter) -> Fraction:
    """The furthest place that one value reaches."""
    fits = [value for value in VALUES if value <= end - start]
    return start + max(fits, default=end - start)


def _barriers(start: Fraction, end: Fraction, meter: Meter) -> set[Fraction]:
    """Places inside the note that must be seen: the bar's groups, and beats where it is offbeat."""
    whole = end == meter.bar and end in VALUES
    if start == 0 and (whole or _plain_from_the_bar(end, meter)):
        return set()
    groups = {at for at in GROUPS.get(meter.text, (Fraction(0),)) if start < at < end}
    if groups and meter.text == "4/4" and (start, end) == (Fraction(1), Fraction(3)):
        return set()  # quarter, half, quarter
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
