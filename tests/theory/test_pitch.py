"""Names, degrees and pitches."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.theory.pitch import Degree, Name, Pitch, in_range
from tests.rows import with_each
from tests.theory.names import ROOTS

DATA = Path(__file__).parents[1] / "data"
names = st.sampled_from(ROOTS)
octaves = st.integers(-1, 8)
degrees = st.builds(Degree, st.integers(1, 15), st.integers(-2, 2))


@with_each(
    ("text", "midi"),
    [("C4", 60), ("A4", 69), ("Cb4", 59), ("B#3", 60), ("C-1", 0), ("G9", 127), ("E1", 28),
     ("A1", 33), ("D2", 38), ("G2", 43), ("B0", 23), ("Fbb2", 39), ("F##2", 43)],
)  # fmt: skip
def test_midi_keys(text: str, midi: int) -> None:
    """Middle C is C4 and MIDI key 60, A4 is 69 (MIDI 1.0 note numbers), the octave belongs to the
    letter (scientific pitch notation); a double bass is tuned E1 A1 D2 G2."""
    assert Pitch.parse(text).midi == midi
    assert str(Pitch.parse(text)) == text


@given(names, octaves)
def test_texts_read_back(name: Name, octave: int) -> None:
    """Names and pitches read back from their texts, names from their texts for people too."""
    assert Name.parse(str(name)) == name
    assert Name.parse(name.pretty) == name
    assert Pitch.parse(str(Pitch(name, octave))) == Pitch(name, octave)


@with_each("text", ["", "H", "c", "C###", "Cb#", "4", "C 4"])
def test_not_names(text: str) -> None:
    """What is no note name is a ValueError."""
    with pytest.raises(ValueError, match="not a note name"):
        Name.parse(text)


@given(names, octaves, degrees)
def test_up_keeps_interval_and_letters(name: Name, octave: int, degree: Degree) -> None:
    """A degree above a pitch is as many semitones and as many staff steps above as it says."""
    low = Pitch(name, octave)
    high = low.up(degree)
    assert high.midi - low.midi == degree.semitones
    assert high.staff_step - low.staff_step == degree.number - 1


@given(names, st.integers(12, 110))
def test_near_is_nearest(name: Name, midi: int) -> None:
    """No pitch of the name is nearer, and of two as near the lower one is taken."""
    found = Pitch.near(name, midi).midi
    assert found % 12 == name.pitch_class
    assert -6 <= found - midi < 6


@given(names, st.integers(12, 60), st.integers(0, 60))
def test_in_range_is_all(name: Name, low: int, width: int) -> None:
    """Every MIDI key of the name's sound in the range, once, in order."""
    found = [pitch.midi for pitch in in_range(name, low, low + width)]
    assert found == [key for key in range(low, low + width + 1) if key % 12 == name.pitch_class]


@given(names)
def test_simplest_sounds_the_same(name: Name) -> None:
    """The simplest spelling sounds the same and has one accidental at most."""
    assert name.simplest.pitch_class == name.pitch_class
    assert abs(name.simplest.alter) <= 1


@with_each(
    ("text", "semitones"),
    [("1", 0), ("b3", 3), ("bb7", 9), ("#9", 15), ("b9", 13), ("#11", 18), ("b13", 20), ("13", 21)],
)
def test_degrees(text: str, semitones: int) -> None:
    """Degrees count from the major scale, above the octave too (common practice)."""
    assert Degree.parse(text).semitones == semitones
    assert str(Degree.parse(text)) == text


def test_pitches_of_the_equal_temperament_table() -> None:
    """The published table's note names (A4 = 440 Hz) are the MIDI keys it gives them."""
    rows = list(csv.DictReader((DATA / "equal_temperament_a440.csv").open(encoding="utf-8")))
    assert rows
    for row in rows:
        assert Pitch.parse(row["name"]).midi == int(row["midi"])
