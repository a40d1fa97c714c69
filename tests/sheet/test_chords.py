"""Two notes at once, notes held, other tunings, and what cannot be played."""

from __future__ import annotations

import pytest
from quicktions import Fraction

from drillgen.errors import DrillgenError
from drillgen.score import Note
from drillgen.sheet.fingering import FRETBOARDS, FingeringError, finger
from drillgen.theory.pitch import Pitch
from tests.rows import with_each
from tests.sheet.hands import fingers, keys, line, strings

UPRIGHT = FRETBOARDS["upright"]
ELECTRIC = FRETBOARDS["electric"]


def chord(text: str, start: int = 0, length: int = 1) -> list[Note]:
    return [Note(Fraction(start), Fraction(length), Pitch.parse(word)) for word in text.split()]


def in_bar(note: Note) -> str:
    return f"bar {note.start // 4 + 1}"


def test_guide_tones_together() -> None:
    """Dm7 to G7: F and C are 1 and 4 in II, F and B 1 and 2 in the same hand.

    Worked by hand: F2 lies three semitones over D2, C3 five over G2, B2 four.
    """
    found = finger(chord("F2 C3") + chord("F2 B2", 1), UPRIGHT)
    assert fingers(found) == "1 4 1 2"
    assert strings(found) == "D G D G"
    assert {each.position for each in found} == {"II"}


def test_frame_of_a_chord() -> None:
    """F1 with Db2 spans a finger a fret on the electric, and is too wide for the upright."""
    assert fingers(finger(chord("F1 Db2"), ELECTRIC)) == "1 4"
    with pytest.raises(FingeringError) as error:
        finger(chord("F1 Db2", 8), UPRIGHT, where=in_bar)
    assert str(error.value) == "bar 3: F1 and Db2 do not lie under one hand on an upright bass"


def test_more_notes_than_strings() -> None:
    """Two notes that both lie on the lowest string alone cannot sound at once."""
    with pytest.raises(FingeringError, match=r"^bar 1: F1 and G1 do not lie under one hand"):
        finger(chord("F1 G1"), ELECTRIC, where=in_bar)


def test_held_note_keeps_the_hand() -> None:
    """Under a held C3, F2 and then G2 are found in the same hand, on other strings."""
    notes = [*chord("C3", 0, 2), *chord("F2"), *chord("G2", 1)]
    found = {str(each.note.pitch): each for each in finger(notes, ELECTRIC)}
    assert found["C3"].hand == found["F2"].hand == found["G2"].hand
    assert found["G2"].string != found["C3"].string


def test_out_of_reach_of_a_held_note() -> None:
    """A note too far from one that is held is an error that names both bar and note."""
    notes = [*chord("C3", 0, 8), *chord("F1", 4)]
    with pytest.raises(FingeringError) as error:
        finger(notes, UPRIGHT, where=in_bar)
    assert str(error.value).startswith("bar 2: C3 and F1 do not lie under one hand")


def test_held_note_forbids_the_shift() -> None:
    """Where each chord can be had but not the way between them, the held note is named."""
    board = UPRIGHT.tuned(["G2", "C3"], name="two strings", frets=6)
    notes = [*chord("Bb2", 0, 8), *chord("Db3"), *chord("F3", 4)]
    with pytest.raises(FingeringError) as error:
        finger(notes, board, where=in_bar)
    assert "bar 2: F3" in str(error.value)


RANGES = {
    "upright": ("E1", "G4"),
    "upright, five strings": ("B0", "G4"),
    "upright, solo tuning": ("F#1", "A4"),
    "electric": ("E1", "Eb4"),
    "electric, five strings": ("B0", "Eb4"),
}


@with_each("name", RANGES)
def test_every_note_of_the_range(name: str) -> None:
    """Every semitone from the lowest string to the top can be played, and none beyond.

    Tunings: common practice; two octaves a string upright, twenty frets electric.
    """
    board = FRETBOARDS[name]
    low, high = (Pitch.parse(text) for text in RANGES[name])
    for midi in range(low.midi, high.midi + 1):
        assert len(finger(keys([midi]), board)) == 1
    for midi in (low.midi - 1, high.midi + 1):
        with pytest.raises(FingeringError):
            finger(keys([midi]), board)


def test_below_the_lowest_string() -> None:
    """The message names bar, note, instrument and its lowest string."""
    notes = line("A1 B1 C2 D2 E2 F1")
    with pytest.raises(DrillgenError) as error:
        finger(notes, FRETBOARDS["upright, solo tuning"], where=in_bar)
    assert str(error.value) == (
        "bar 2: F1 lies below the lowest string of an upright bass in solo tuning (F#1)"
    )


def test_above_the_fingerboard() -> None:
    """The message names bar, note, instrument and how far it goes."""
    with pytest.raises(FingeringError) as error:
        finger(line("G2 G4"), ELECTRIC, where=in_bar)
    assert str(error.value) == (
        "bar 1: G4 lies above the highest note of a bass guitar (20 semitones over G2)"
    )


def test_place_without_bars() -> None:
    """Where no bars are known, the message counts quarter notes from one."""
    with pytest.raises(FingeringError, match=r"^quarter note 2: C1 lies below"):
        finger(line("E1 C1"), UPRIGHT)


def test_custom_tuning() -> None:
    """With the low string taken down to C1, C1 is open and F1 five semitones above it."""
    board = UPRIGHT.tuned(["C1", "A1", "D2", "G2"], name="an upright bass with a low C")
    assert fingers(finger(line("C1"), board)) == "0"
    (low,) = finger(line("F1"), board)
    assert (low.string, low.fret, low.string_name) == (4, 5, "C")


@with_each(
    ("tuning", "words"),
    [
        (["G2", "D2"], "from the lowest to the highest"),
        ([], "from the lowest to the highest"),
        (["H1"], "not a note name: 'H'"),
        (["E"], "not a pitch: 'E'"),
    ],
)
def test_tunings_refused(tuning: list[str], words: str) -> None:
    """A tuning that is no tuning says what is wrong with it."""
    with pytest.raises(FingeringError, match=words):
        UPRIGHT.tuned(tuning, name="my bass")


def test_too_few_frets() -> None:
    """A fingerboard shorter than a hand is refused."""
    with pytest.raises(FingeringError, match="frets=2 is too few for a hand"):
        ELECTRIC.tuned(["E1"], name="my bass", frets=2)


def test_notes_in_any_order() -> None:
    """Fingerings come back in the order in which the notes were given."""
    notes = line("F1 G1 A1 Bb1")
    backwards = finger(notes[::-1], UPRIGHT)
    assert backwards == finger(notes, UPRIGHT)[::-1]
