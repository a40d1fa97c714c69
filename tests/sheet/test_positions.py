"""Positions and frames of the hand, against published tables."""

from __future__ import annotations

import csv

import pytest

from drillgen.sheet.fingering import FRETBOARDS, finger
from drillgen.sheet.fingering.basses import SIMANDL
from drillgen.theory.pitch import Name, Pitch
from tests.conftest import DATA
from tests.sheet.hands import fingers, line

UPRIGHT = FRETBOARDS["upright"]

# The note under the first finger on the E string in each position: "Double bass, fingerboard
# octave", a public table (gist.github.com/JanDW/8db9925d29b9380f23be7ceb16e2f3a2, seen).
FIRST_FINGER_ON_E = {
    "half": "F",
    "I": "F#",
    "II": "G",
    "II-III": "G#",
    "III": "A",
    "III-IV": "A#",
    "IV": "B",
    "V": "C",
    "V-VI": "C#",
    "VI": "D",
    "VI-VII": "D#",
    "VII": "E",
}


def table() -> list[dict[str, str]]:
    with (DATA / "simandl_positions.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", table(), ids=lambda row: f"{row['position']} on {row['string']}")
def test_position_table(row: dict[str, str]) -> None:
    """Each position has its fingers on the notes of the table, on every string.

    Source: tests/data/simandl_positions.csv.  That there are a half position and eleven others
    was seen in the contents of F. Simandl's method (public domain); the table itself was written
    from memory.
    """
    string = [str(pitch.name) for pitch in UPRIGHT.strings].index(row["string"])
    hand = int(row["semitone_finger1"])
    assert UPRIGHT.strings[string].midi == int(row["open_midi"])
    assert UPRIGHT.position(hand) == row["position"]
    places = SIMANDL.frame(hand).places(hand)
    assert [name for name, _ in places][:2] == ["1", "2"]
    assert places[2][0] in ("3", "4")
    heights = [row[column] for column in row if column.startswith("semitone_finger")]
    assert [str(fret) for _, fret in places] == heights
    for (_, fret), column in zip(places, ("note1", "note2", "note4"), strict=True):
        note = Pitch.parse(row[f"{column}_sounding"])
        assert UPRIGHT.strings[string].midi + fret == note.midi


@pytest.mark.parametrize("row", table(), ids=lambda row: f"{row['position']} on {row['string']}")
def test_a_bass_of_one_string_is_fingered_by_the_table(row: dict[str, str]) -> None:
    """On one string, a position's three notes in a row are 1, 2 and 4 (or 3), and nothing else.

    Source: tests/data/simandl_positions.csv, from memory (see `test_position_table`).
    """
    open_string = next(str(p) for p in UPRIGHT.strings if str(p.name) == row["string"])
    board = UPRIGHT.tuned([open_string], name="one string", frets=14)
    notes = line(" ".join(row[f"note{n}_sounding"] for n in (1, 2, 4)))
    found = finger(notes, board)
    upper = int(row["semitone_finger1"]) >= 10
    assert fingers(found) == ("1 2 3" if upper else "1 2 4")
    assert {each.position for each in found} == {row["position"]}


def test_names_agree_with_a_second_table() -> None:
    """The first finger's notes by position, as another public table has them (seen)."""
    for hand, (position, name) in enumerate(FIRST_FINGER_ON_E.items(), 1):
        assert UPRIGHT.position(hand) == position
        assert (28 + hand) % 12 == Name.parse(name).pitch_class


def test_third_finger_replaces_the_fourth() -> None:
    """The fourth finger up to V-VI, the third from VI (common practice; schools differ)."""
    last = {p: SIMANDL.frame(h).reach[-1][0] for h, p in enumerate(SIMANDL.positions, 1)}
    assert [p for p, name in last.items() if name == "3"] == ["VI", "VI-VII", "VII"]
    assert set(last.values()) == {"3", "4"}


@pytest.mark.parametrize("scale", ["G3 Ab3 A3 Bb3", "G3 A3 B3 C4"])
def test_thumb_position_on_the_octave(scale: str) -> None:
    """With the thumb on the octave G: first, second and third take Ab, A and Bb, or A, B and C.

    The first: Wikipedia, "Thumb position" (seen).  The second: common practice.
    """
    found = finger(line(scale), UPRIGHT)
    assert fingers(found) == "T 1 2 3"
    assert {(each.string_name, each.position) for each in found} == {("G", "thumb")}


def test_thumb_is_never_below_the_octave() -> None:
    """In thumb position the thumb lies on the octave harmonic or above, on the two upper strings.

    Common practice.
    """
    thumbs = [h for h in UPRIGHT.hands if UPRIGHT.position(h) == "thumb"]
    heights = {fret for h in thumbs for name, fret in SIMANDL.frame(h).places(h) if name == "T"}
    assert min(heights) == 12
    assert [SIMANDL.frame(thumbs[0]).serves(number) for number in (1, 2, 3, 4)] == [
        *(True, True, False, False)
    ]


def test_system_is_named() -> None:
    """The public names say whose positions they are."""
    assert UPRIGHT.school.system == "Simandl"
    assert FRETBOARDS["electric"].school.system == "fret of the first finger"
    assert FRETBOARDS["electric"].position(5) == "fret 5"
