"""Rhythm as a reader expects it: values, ties, rests, triplets and beams."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from music21 import duration, meter, note

from drillgen.drill.bars import METERS
from drillgen.sheet.staff import beams
from drillgen.sheet.values import VALUES, Piece, pieces, rests, windows
from tests.examples import examples

LENGTHS = {"w": 4, "h": 2, "q": 1, "e": Fraction(1, 2), "s": Fraction(1, 4)}
TRIPLET = Fraction(2, 3)


def lengths(text: str) -> list[tuple[Fraction, bool]]:
    """'q. e r:h' as lengths in quarter notes, and whether each is a note."""
    found = []
    for word in text.split():
        sign = word.removeprefix("r:")
        length = Fraction(LENGTHS[sign[0]])
        length *= Fraction(3, 2) if "." in sign else TRIPLET if "t" in sign else 1
        found.append((length, not word.startswith("r:")))
    return found


def written(text: str, name: str = "4/4") -> list[tuple[Piece, bool, bool]]:
    """A bar's pieces: whether each is a note, and tied to the next."""
    found: list[tuple[Piece, bool, bool]] = []
    place, edges, events = Fraction(0), [], []
    for length, is_note in lengths(text):
        events.append((place, length, is_note))
        edges += [place, place + length] if is_note else []
        place += length
    triplets = windows(edges, METERS[name])
    for start, length, is_note in events:
        write = pieces if is_note else rests
        parts = list(write(start, length, METERS[name], triplets))
        found += [(p, is_note, is_note and p is not parts[-1]) for p in parts]
    return found


def as_text(found: Sequence[tuple[Piece, bool, bool]]) -> str:
    letters = {"whole": "w", "half": "h", "quarter": "q", "eighth": "e", "16th": "s"}
    return " ".join(
        f"{'' if is_note else 'r:'}{letters[p.value]}{'.' * p.dots}{'t' * p.triplet}{'~' * tied}"
        for p, is_note, tied in found
    )


# As played (the lengths of notes and rests) and as a copyist writes it.  After E. Gould, "Behind
# Bars" (2011), on rhythm and beams, from memory; common practice.
COPIED = [
    ("4/4", "w", "w"),
    ("4/4", "h. q", "h. q"),
    ("4/4", "q h q", "q h q"),
    ("4/4", "q h.", "q h."),
    ("4/4", "e q e h", "e q e h"),
    ("4/4", "q. e h", "q. e h"),
    ("4/4", "q. q q.", "q. e~ e e~ q"),
    ("4/4", "e q q q e", "e q e~ e q e"),
    ("4/4", "e h. e", "e e~ q~ q. e"),
    ("4/4", "q r:h q", "q r:q r:q q"),  # no rest over the middle
    ("4/4", "q r:h.", "q r:q r:h"),
    ("4/4", "r:h. q", "r:h r:q q"),  # no dotted rest
    ("4/4", "e r:e h r:q", "e r:e h r:q"),
    ("4/4", "r:e q. h", "r:e e~ q h"),
    ("4/4", "e. s r:s e. h", "e. s r:s e. h"),
    ("4/4", "et et et q h", "et et et q h"),
    ("4/4", "qt et q h", "qt et q h"),
    ("4/4", "qt qt qt h", "qt qt qt h"),  # over two beats
    ("4/4", "et et r:et q h", "et et r:et q h"),
    ("3/4", "h.", "h."),
    ("3/4", "q r:h", "q r:q r:q"),  # two rests, not one
    ("3/4", "q. q.", "q. e~ q"),
    ("2/4", "e q e", "e q e"),
    ("5/4", "w q", "h.~ q q"),  # three and two
    ("5/4", "h. h", "h. h"),
    ("5/4", "h. r:h", "h. r:h"),
    ("6/8", "h.", "h."),
    ("6/8", "q e q e", "q e q e"),
    ("6/8", "q q q", "q e~ e q"),
    ("6/8", "h q", "q.~ e q"),
    ("6/8", "e r:q q.", "e r:e r:e q."),
    ("6/8", "q. r:q.", "q. r:q."),
    ("12/8", "h. h.", "h. h."),
    ("12/8", "q. h. q.", "q. q.~ q. q."),
]


@pytest.mark.parametrize(("name", "played", "copied"), COPIED)
def test_as_a_copyist_writes_it(name: str, played: str, copied: str) -> None:
    """Beats and the middle of the bar are seen, in every meter that drills have."""
    assert as_text(written(played, name)) == copied


@st.composite
def bars(draw: st.DrawFn) -> tuple[str, str]:
    """A bar of any meter, cut at random: at sixteenths, or beats in threes."""
    name = draw(st.sampled_from(sorted(METERS)))
    edges: list[Fraction] = []
    for quarter in range(int(METERS[name].bar)):
        in_threes = METERS[name].unit == 4 and draw(st.booleans())
        steps = [Fraction(i, 3 if in_threes else 4) for i in range(3 if in_threes else 4)]
        edges += [quarter + step for step in steps if draw(st.booleans())]
    return name, " ".join(str(edge) for edge in edges)


@st.composite
def uneven_bars(draw: st.DrawFn) -> tuple[str, str]:
    """A bar cut anywhere that notes of the language lead to: twenty-fourths of a quarter."""
    name = draw(st.sampled_from(sorted(METERS)))
    places = st.integers(1, int(METERS[name].bar * 24) - 1)
    found = draw(st.sets(places, min_size=1, max_size=8))
    return name, " ".join(str(Fraction(place, 24)) for place in sorted(found))


def cut(name: str, edges: str) -> list[tuple[Fraction, Fraction]]:
    places = sorted({Fraction(0), *map(Fraction, edges.split()), METERS[name].bar})
    return [(a, b - a) for a, b in pairwise(places)]


@examples(150)
@given(bar=bars() | uneven_bars(), silent=st.randoms(use_true_random=False))
def test_values_add_up_and_show_the_middle(bar: tuple[str, str], silent: Any) -> None:
    """Any bar is written in values that add up to it, each of which is what it says; none hides
    the third beat of four but a whole bar, a dotted half on one or two, or a half between
    quarters."""
    name, edges = bar
    spans = cut(name, edges)
    triplets = windows([start for start, _ in spans], METERS[name])
    place = Fraction(0)
    for start, length in spans:
        is_note = silent.random() < 0.7
        for piece in (pieces if is_note else rests)(start, length, METERS[name], triplets):
            assert piece.start == place
            place += piece.length
            assert by_music21(piece) == piece.length
            if name == "4/4" and piece.start < 2 < place:
                allowed = [(0, 4), (0, 3), (1, 3), (1, 4)] if is_note else [(0, 4)]
                assert (piece.start, place) in allowed
    assert place == METERS[name].bar


def test_triplets_begin_where_they_are_written() -> None:
    """Three in the time of two sixteenths, a sixteenth after the beat, are three sixteenths in one
    bracket, and the sixteenths beside them plain."""
    places = [Fraction(3), *(Fraction(13, 4) + Fraction(i, 6) for i in range(3)), Fraction(15, 4)]
    (window,) = windows(places, METERS["4/4"])
    assert (window.start, window.end) == (Fraction(13, 4), Fraction(15, 4))
    lengths = [*(b - a for a, b in pairwise(places)), Fraction(1, 4)]
    found = [
        piece
        for start, length in zip(places, lengths, strict=True)
        for piece in pieces(start, length, METERS["4/4"], (window,))
    ]
    assert [piece.value for piece in found] == ["16th"] * 5
    assert [piece.triplet for piece in found] == [False, True, True, True, False]


def by_music21(piece: Piece) -> Fraction:
    """How long a written value is, by music21."""
    found = duration.Duration(type=piece.value, dots=piece.dots)
    if piece.triplet:
        found.appendTuplet(duration.Tuplet(3, 2))
    return Fraction(found.quarterLength).limit_denominator(192)


def test_every_plain_value_is_music21_s() -> None:
    """The table of note values agrees with music21's."""
    for length, (value, dots) in VALUES.items():
        assert Fraction(duration.Duration(type=value, dots=dots).quarterLength) == length


BEAMED = {
    "begin": ("start", None),
    "continue": ("continue", None),
    "end": ("stop", None),
    "forward hook": ("partial", "right"),
    "backward hook": ("partial", "left"),
}


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("3/4", "e e e e e e"),
        ("3/4", "e. s s s e q"),
        ("4/4", "e e q s s s s q"),
        ("4/4", "s e s q e s s q"),
        ("4/4", "e. s e. s q q"),
        ("5/4", "e e e e q e e q"),
        ("6/8", "e e e e e e"),
        ("6/8", "s s s s s s q."),
        ("12/8", "e e e e e e e e e q."),
    ],
)
def test_beams_by_the_beat(name: str, text: str) -> None:
    """Beams are those that music21 gives the meter by its beats, hooks included."""
    found = beams([(piece, is_note) for piece, is_note, _ in written(text, name)], METERS[name])
    time = meter.TimeSignature(name)
    time.beamSequence.partition([by_beat(name)] * METERS[name].beats)
    notes = [note.Note(quarterLength=float(length)) for length, _ in lengths(text)]
    wanted = time.getBeams(notes)
    for ours, theirs in zip(found, wanted, strict=True):
        kinds = [] if theirs is None else [(b.type, b.direction) for b in theirs.beamsList]
        assert [BEAMED[beam] for beam in ours] == kinds


def by_beat(name: str) -> str:
    return "3/8" if name.endswith("/8") else "1/4"


@pytest.mark.parametrize(
    ("name", "text", "groups"),
    [
        ("4/4", "e e e e e e e e", [4, 4]),  # half a bar at a time
        ("4/4", "e e e e q e e", [4, 2]),
        ("4/4", "q e e e e q", [2, 2]),  # never over the middle
        ("4/4", "r:e e e e e e e e", [2, 4]),  # where a beat rests: by the beat
        ("4/4", "et et et e e e e q", [3, 2, 2]),
        ("2/4", "e e e e", [4]),
        ("3/4", "e e e e q", [2, 2]),
    ],
)
def test_four_eighths_share_a_beam(name: str, text: str, groups: list[int]) -> None:
    """Four eighths that fill half of a bar of four are under one beam; all else is by the beat
    (common practice in jazz parts)."""
    found = beams([(piece, is_note) for piece, is_note, _ in written(text, name)], METERS[name])
    count, sizes = 0, []
    for each in found:
        count += bool(each)
        if each and each[0] == "end":
            sizes.append(count)
            count = 0
    assert sizes == groups
