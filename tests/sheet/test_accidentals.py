"""Accidentals: a reader who knows the rules finds every pitch, and is reminded where doubt lies."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from music21 import key as keys

from drillgen.sheet.staff import accidentals, altered, in_signature
from drillgen.theory.pitch import Name, Pitch
from tests.examples import examples

Bar = list[tuple[list[Pitch], bool]]


def bar(text: str) -> Bar:
    """'F#3 ~G2 C4+E4': single notes, tied ones, chords."""
    return [
        ([Pitch.parse(each) for each in word.removeprefix("~").split("+")], word.startswith("~"))
        for word in text.split()
    ]


def signs(text: str, fifths: int = 0, before: str = "") -> list[str]:
    """The sign before each note: '#', 'n' for a natural, '(…)' for a courtesy, '' for none."""
    doubtful = altered([pitch for pitches, _ in bar(before) for pitch in pitches], fifths)
    names = {-2: "bb", -1: "b", 0: "n", 1: "#", 2: "x", None: ""}
    return [
        f"({names[each.alter]})" if each.courtesy else names[each.alter]
        for shown in accidentals(bar(text), doubtful, fifths)
        for each in shown
    ]


@pytest.mark.parametrize("fifths", range(-7, 8))
def test_signatures(fifths: int) -> None:
    """The letters that a signature alters are those of music21's."""
    theirs = {p.step: int(p.accidental.alter) for p in keys.KeySignature(fifths).alteredPitches}
    assert {letter: in_signature(letter, fifths) for letter in "CDEFGAB"} == {
        letter: theirs.get(letter, 0) for letter in "CDEFGAB"
    }


@pytest.mark.parametrize(
    ("text", "fifths", "before", "wanted"),
    [
        ("F#3 F#3 G3", 0, "", ["#", "", ""]),  # it holds to the end of the bar
        ("F#3 F3", 0, "", ["#", "n"]),
        ("F#3 F#3", 1, "", ["", ""]),  # the signature says it
        ("F#3 F#4", 0, "", ["#", "#"]),  # only in its own octave …
        ("F#3 F4", 0, "", ["#", "(n)"]),  # … and a courtesy in the other
        ("F3 G3", 0, "F#3", ["(n)", ""]),  # after a bar that altered it
        ("F3 F3", 0, "F#4", ["(n)", ""]),  # once
        ("~F#3 F3", 0, "F#3", ["", "(n)"]),  # a tied note needs none, what follows a courtesy
        ("~F#3 F#3", 0, "F#3", ["", "#"]),  # a tie's accidental does not hold on
        ("F##3 F#3", 6, "", ["x", "#"]),  # from a double sharp back: one sign
        ("Bbb2 Bb2", -5, "", ["bb", "b"]),
        ("C3+Eb3 C3+E3", 0, "", ["", "b", "", "n"]),  # each note of a chord
    ],
)
def test_rules(text: str, fifths: int, before: str, wanted: list[str]) -> None:
    """Accidentals and courtesies (in brackets) as in modern engraving (common practice; Gould,
    "Behind Bars", on accidentals, from memory)."""
    assert signs(text, fifths, before) == wanted


PITCHES = st.builds(Pitch, st.builds(Name, st.integers(-12, 18)), st.integers(2, 3))


@examples(200)
@given(pitches=st.lists(PITCHES, max_size=10), fifths=st.integers(-7, 7))
def test_a_reader_finds_every_pitch(pitches: list[Pitch], fifths: int) -> None:
    """Read by the rule alone (a sign holds for its line to the barline), the bar gives the pitches
    back; and a sign without brackets always says something new."""
    shown = accidentals([([pitch], False) for pitch in pitches], frozenset(), fifths)
    lines: dict[tuple[str, int], int] = {}
    for pitch, (sign,) in zip(pitches, shown, strict=True):
        line = (pitch.name.letter, pitch.octave)
        held = lines.get(line, in_signature(pitch.name.letter, fifths))
        lines[line] = held if sign.alter is None else sign.alter
        assert lines[line] == pitch.name.alter
        assert sign.alter is None or sign.courtesy == (sign.alter == held)
