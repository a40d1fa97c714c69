"""The path found is the one of least effort, and what that means for the hand."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from quicktions import Fraction

from drillgen.score import Note
from drillgen.sheet.fingering import FRETBOARDS, Fingered, Fretboard, OpenStrings, finger
from tests.examples import examples
from tests.sheet.hands import Place, every_path, fingers, keys, line, places, reckon, sounding

MODES: tuple[OpenStrings, ...] = ("allowed", "preferred", "avoided")
THREE = ["A1", "D2", "G2"]
# Small enough to try every way: low hands on three strings, and the thumb on one.
SMALL = {
    "upright": FRETBOARDS["upright"].tuned(THREE, name="a small bass", frets=5),
    "electric": FRETBOARDS["electric"].tuned(THREE, name="a small bass guitar", frets=5),
}
THUMB = FRETBOARDS["upright"].tuned(["G2"], name="a string", frets=19)
# Semitones above the first finger: the frames; thumb position as in `schools`.
UPRIGHT_REACH = {"1": {0}, "2": {1}, "4": {2}}
UPPER_REACH = {"1": {0}, "2": {1}, "3": {2}}
THUMB_REACH = {"T": {-1}, "1": {0, 1}, "2": {1, 2, 3}, "3": {2, 3, 4}}
ELECTRIC_REACH = {"1": {0}, "2": {1}, "3": {2}, "4": {3}}

LENGTHS = st.sampled_from([Fraction(1, 2), Fraction(1), Fraction(2)])
RESTS = st.sampled_from([Fraction(0), Fraction(0), Fraction(1)])


def as_places(found: tuple[Fingered, ...]) -> list[Place]:
    return [Place(each.string, each.fret, each.finger, each.hand) for each in found]


def reach(board: Fretboard, hand: int) -> dict[str, set[int]]:
    if board.school.system != "Simandl":
        return ELECTRIC_REACH
    return UPRIGHT_REACH if hand < 10 else UPPER_REACH if hand <= 12 else THUMB_REACH


@st.composite
def timed(draw: st.DrawFn, low: int, high: int, most: int) -> list[Note]:
    """A short line of single notes with lengths and rests."""
    notes, now = [], Fraction(0)
    for midi in draw(st.lists(st.integers(low, high), min_size=1, max_size=most)):
        length = draw(LENGTHS)
        notes.append(Note(now, length, sounding(midi)))
        now += length + draw(RESTS)
    return notes


def is_least(board: Fretboard, notes: list[Note], mode: OpenStrings) -> None:
    found = finger(notes, board, open_strings=mode)
    shifts = any(each.shift for each in found)
    ours = (shifts, reckon(board, notes, as_places(found), mode))
    assert ours == min(every_path(board, notes, mode))


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("kind", SMALL)
@examples(25)
@given(data=st.data())
def test_least_effort_of_all(kind: str, mode: OpenStrings, data: Any) -> None:
    """No way of playing a short line costs less; one that never shifts comes first.

    Against every sequence of string, finger and hand, added up apart from the search.
    """
    is_least(SMALL[kind], data.draw(timed(33, 48, 5)), mode)


@examples(40)
@given(notes=timed(55, 62, 4))
def test_least_effort_with_the_thumb(notes: list[Note]) -> None:
    """The same above the octave, where fingers have more than one place."""
    is_least(THUMB, notes, "allowed")


@pytest.mark.parametrize("kind", SMALL)
def test_least_effort_of_six(kind: str) -> None:
    """The same for lines of six notes that run over all strings."""
    for text in ("A1 C2 E2 G2 B2 C3", "Bb1 D2 F2 Ab2 B2 A2"):
        is_least(SMALL[kind], line(text), "allowed")


# Lines whose least path turns on one rule: a barre to be spared, fingers to be kept in order.
TURNING = [
    ("upright", "F2 Ab2 Db3 D2 B2"),
    ("upright", "D3 D3 B2 A2 D3"),
    ("electric", "Gb2 C3 G2 Ab2 Eb2"),
    ("electric", "C2 Bb1 Eb2 D3 B1"),
    ("thumb", "B3 B3 Bb3 A3"),
    ("thumb", "Bb3 B3 C4 Db4"),
]


@pytest.mark.parametrize(("kind", "text"), TURNING)
def test_least_effort_where_one_rule_decides(kind: str, text: str) -> None:
    """The same for lines where sparing a barre, or keeping fingers in order, decides the path."""
    wide = FRETBOARDS["electric" if kind == "electric" else "upright"]
    board = THUMB if kind == "thumb" else wide.tuned(THREE, name="a small bass", frets=7)
    is_least(board, line(text), "allowed")


def is_far_up(board: Fretboard, place: Place) -> bool:
    """At the octave of the upright's second string or higher, or above the third position of the
    strings under it; above the octave of an electric's lower strings."""
    if board.school.system != "Simandl":
        return place.string > 1 and place.fret > 12
    return place.fret > {1: 99, 2: 11}.get(place.string, 7)


@st.composite
def in_one_hand(draw: st.DrawFn, board: Fretboard, mode: OpenStrings) -> list[int]:
    """Keys that all lie under one hand, with open strings where they are welcome, and no lower
    string stopped high up where the next one has the note."""
    hand = draw(st.sampled_from(board.hands))
    low, high = board.strings[0].midi, board.strings[-1].midi + board.frets
    under = []
    for midi in range(low, high + 1):
        ways = places(board, midi)
        ways = [way for way in ways if not is_far_up(board, way)] or ways
        if mode == "avoided":
            ways = [way for way in ways if way.finger != "0"] or ways
        under += [midi] * any(way.hand == hand for way in ways)
    return draw(st.lists(st.sampled_from(under), min_size=1, max_size=24))


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("name", FRETBOARDS)
@examples(8)
@given(data=st.data())
def test_what_lies_in_one_position_stays_there(name: str, mode: OpenStrings, data: Any) -> None:
    """A line that can be played in one position is fingered without a shift, however long, if that
    does not take it far up a low string."""
    board = FRETBOARDS[name]
    found = finger(keys(data.draw(in_one_hand(board, mode))), board, open_strings=mode)
    assert not any(each.shift for each in found)
    assert len({each.hand for each in found}) == 1


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("name", FRETBOARDS)
@examples(10)
@given(data=st.data())
def test_fingered_notes_sound_and_lie_in_the_frame(name: str, mode: OpenStrings, data: Any) -> None:
    """Over each bass's whole range: string and fret sound the note; no finger leaves the frame.

    A shift is marked exactly where the hand has moved, and never at an open string.
    """
    board = FRETBOARDS[name]
    low, high = board.strings[0].midi, board.strings[-1].midi + board.frets
    notes = data.draw(timed(low, high, 16))
    found = finger(notes, board, open_strings=mode)
    assert [each.note for each in found] == notes
    for each in found:
        string = board.strings[-each.string]
        assert string.midi + each.fret == each.note.pitch.midi
        assert each.string_name == str(string.name)
        assert each.position == board.position(each.hand)
        assert (each.fret == 0) == (each.finger == "0")
        if each.fret:
            assert each.fret <= board.frets
            assert each.fret - each.hand in reach(board, each.hand)[each.finger]
    moved = [one.hand != other.hand for one, other in pairwise(found)]
    assert [each.shift for each in found] == [False, *moved]
    assert not any(each.shift and each.finger == "0" for each in found)


@pytest.mark.parametrize("name", FRETBOARDS)
@examples(20)
@given(data=st.data())
def test_repeated_notes_keep_their_finger(name: str, data: Any) -> None:
    """A note that is played again at once is played with the same finger and hand."""
    board = FRETBOARDS[name]
    low, high = board.strings[0].midi, board.strings[-1].midi + board.frets
    midis = data.draw(st.lists(st.integers(low, high), min_size=1, max_size=8))
    found = as_places(finger(keys([midi for midi in midis for _ in "ab"]), board))
    assert found[::2] == found[1::2]


@pytest.mark.parametrize("name", FRETBOARDS)
@examples(25)
@given(data=st.data())
def test_avoided_open_strings(name: str, data: Any) -> None:
    """Avoided, an open string sounds only where the note cannot be stopped at all."""
    board = FRETBOARDS[name]
    low, high = board.strings[0].midi, board.strings[-1].midi + board.frets
    notes = keys(data.draw(st.lists(st.integers(low, high), min_size=1, max_size=12)))
    for each in finger(notes, board, open_strings="avoided"):
        ways = [way for way in places(board, each.note.pitch.midi) if not is_far_up(board, way)]
        stopped = [way for way in ways if way.finger != "0"]
        assert (each.finger == "0") == (not stopped)


# One string; A2 Bb2 B2 lie in I, B2 C3 C#3 in II-III: the shift falls before or after B2.
SHIFTS = {
    "long Bb": ("A2 Bb2 B2 C3 C#3", [1, 2, 1, 1, 1], "B2"),
    "long B": ("A2 Bb2 B2 C3 C#3", [1, 1, 2, 1, 1], "C3"),
    "rest before B": ("A2 Bb2 - B2 C3 C#3", [1, 1, 1, 1, 1, 1], "B2"),
    "rest after B": ("A2 Bb2 B2 - C3 C#3", [1, 1, 1, 1, 1, 1], "C3"),
    "open string before B": ("A2 Bb2 G2 B2 C3 C#3", [1, 1, 1, 1, 1, 1], "B2"),
    "open string after B": ("A2 Bb2 B2 G2 C3 C#3", [1, 1, 1, 1, 1, 1], "C3"),
}


@pytest.mark.parametrize("case", SHIFTS)
def test_shifts_where_there_is_time(case: str) -> None:
    """The hand moves after a long note, in a rest, or while an open string sounds.

    Common practice.
    """
    text, lengths, place = SHIFTS[case]
    board = FRETBOARDS["upright"].tuned(["G2"], name="a string")
    found = finger(line(text, lengths), board)
    assert [str(each.note.pitch) for each in found if each.shift] == [place]


def test_open_string_keeps_the_hand() -> None:
    """An open string amid the fifth position leaves the hand in the fifth position."""
    found = finger(line("Eb3 G2 F3"), FRETBOARDS["upright"])
    assert [each.position for each in found] == ["V", "V", "V"]
    assert fingers(found) == "1 0 4"


def test_crosses_before_it_shifts() -> None:
    """From C3 and Db3 on the G string, Ab2 and G2 are taken on the D string by the same hand."""
    found = finger(line("C3 Db3 Ab2 G2 Ab2 C3"), FRETBOARDS["electric"], open_strings="avoided")
    assert not any(each.shift for each in found)
    assert {each.string_name for each in found} == {"D", "G"}


def test_preferred_rings_where_allowed_does_not() -> None:
    """On the electric, D2 at the fourth fret's hand stays stopped unless the open one is wanted."""
    notes = line("C#2 D2 E2 F#2 G2 A2 B2 C#3")
    allowed = finger(notes, FRETBOARDS["electric"])
    preferred = finger(notes, FRETBOARDS["electric"], open_strings="preferred")
    assert "0" not in fingers(allowed)
    assert [str(e.note.pitch) for e in preferred if e.finger == "0"] == ["D2", "G2"]
