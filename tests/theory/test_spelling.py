"""How the notes between chord tones are spelled."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.theory.chords import parse_chord
from drillgen.theory.keys import Key
from drillgen.theory.pitch import Pitch
from drillgen.theory.spelling import Tone, spelled
from tests.lines.writing import line, written

KEYS = ["C", "F", "Bb", "Eb", "Ab", "Db", "Gb", "B", "E", "A", "D", "G", "F#"]


def tones(pitches: str, chord: str, key: str) -> list[Tone]:
    over = parse_chord(chord)
    return [Tone(Pitch.parse(text), over, Key.parse(key)) for text in pitches.split()]


@pytest.mark.parametrize(
    ("key", "chord", "before", "after"),
    [
        ("B", "E#dim7", "E#3 D##3 D3 C3", "E#3 E3 D3 C3"),
        ("Gb", "Cdim7", "C3 B2 Bbb2 G2", "C3 Cb3 Bbb2 G2"),
        ("Db", "Ab7", "C3 B2 Bbb2 Ab2", "C3 B2 A2 Ab2"),
        ("F#", "C#7", "A3 F##3 E#3 D##3 D3 C#3", "A3 G3 E#3 E3 D3 C#3"),
        ("C", "G7", "G2 Ab2 A#2 B2", "G2 Ab2 A#2 B2"),
        ("C", "Dm7", "D2 E2 F2 F#2", "D2 E2 F2 F#2"),
        ("C", "G7", "G2 F2 D2 Db2", "G2 F2 D2 Db2"),
    ],
)
def test_as_a_copyist_spells_it(key: str, chord: str, before: str, after: str) -> None:
    """No letter twice in two shapes on the way down, and no double accidental that is no chord
    tone; what leads rightly stays as it is (hand-worked)."""
    assert [str(pitch) for pitch in spelled(tones(before, chord, key))] == after.split()


@given(
    st.lists(st.integers(30, 60), min_size=1, max_size=12),
    st.sampled_from(["C7alt", "Ebm7b5", "F#dim7", "B7", "Gbmaj7", "A#m7"]),
    st.sampled_from(KEYS),
)
def test_only_names_change(keys: list[int], chord: str, key: str) -> None:
    """Every note sounds as before, and root, third, fifth and seventh keep the chord's names."""
    over = parse_chord(chord)
    plain = [over.root.above(d) for d in over.degrees if d.number <= 7]
    by_sound = {name.pitch_class: name for name in plain}
    named = [by_sound.get(each % 12, over.root.simplest) for each in keys]
    before = [Pitch.near(name, each) for name, each in zip(named, keys, strict=True)]
    after = spelled([Tone(pitch, over, Key.parse(key)) for pitch in before])
    assert [pitch.midi for pitch in after] == [pitch.midi for pitch in before]
    assert all(b == a for b, a in zip(before, after, strict=True) if b.name in plain)


@pytest.mark.parametrize(
    "options",
    [
        {"line": "walking", "progression": "I #io7 | ii7 V7 | IV #ivo7 | I VI7"},
        {"line": {"kind": "scale pattern", "note": "eighth", "scales": {"V7": "altered"}},
         "progression": "ii7 | V7 | I | VI7"},
    ],
)  # fmt: skip
def test_lines_have_no_double_accidental_but_in_chord_tones(options: dict[str, object]) -> None:
    """In thirteen keys, what a walking line or a scale puts between the chord tones needs one
    accidental at most."""
    score = written(key_cycle=KEYS, gaps="off", passes=2, **options)
    for note in line(score):
        bar = score.chart.bar_at(note.start)
        chord = next(span.chord for span in bar.spans if span.start <= note.start < span.end)
        assert chord is not None
        assert abs(note.pitch.name.alter) < 2 or note.pitch.name in chord.names
