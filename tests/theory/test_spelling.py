"""How the notes between chord tones are spelled."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from music21 import harmony

from drillgen.theory.chord_types import KINDS
from drillgen.theory.chords import Chord, parse_chord
from drillgen.theory.pitch import Key, Name, Pitch
from drillgen.theory.spelling import LineTone, spelled
from tests.lines.writing import line, written
from tests.rows import with_each

KEYS = ["C", "F", "Bb", "Eb", "Ab", "Db", "Gb", "B", "E", "A", "D", "G", "F#"]


def tones(pitches: str, chord: str, key: str) -> list[LineTone]:
    over = parse_chord(chord)
    return [LineTone(Pitch.parse(text), over, Key.parse(key)) for text in pitches.split()]


@with_each(
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
    tone (Cdim7 has its Bbb); what leads rightly stays as it is (hand-worked)."""
    assert [str(pitch) for pitch in spelled(tones(before, chord, key))] == after.split()


def along(text: str, key: str) -> list[LineTone]:
    """'C7: E2 Eb2 | F7: A1': tones over their chords, a bar between two strokes."""
    return [
        tone._replace(bar=number)
        for number, bar in enumerate(text.split(" | "))
        for chord, _, notes in (part.partition(": ") for part in bar.split("; "))
        for tone in tones(notes, chord, key)
    ]


@with_each(
    ("key", "before", "after"),
    [
        # A whole step below its target is no leading note: Eb F, Ab Bb, F G.
        ("Bb", "Edim7: E3 D#3 | Bb6/F: F3", "E3 Eb3 F3"),  # below F
        ("Eb", "Adim7: A2 G#2 | Eb6/Bb: Bb2", "A2 Ab2 Bb2"),  # below Bb
        ("C", "F#dim7: F#2 E#2 | C6/G: G2", "F#2 F2 G2"),  # below G
        # A semitone below it is one; so it is after the tone above.
        ("C", "G7: G2 F2 D#2 | Cmaj7: E2", "G2 F2 D#2 E2"),  # enclosed
        ("C", "G7: F2 D#2 F2 | Cmaj7: E2", "F2 D#2 F2 E2"),  # enclosed twice
        # A diminished seventh chord's tones by their degrees.
        ("E", "Gdim7: G2 A#2 C#3 E3 | F#m7: E3", "G2 Bb2 Db3 Fb3 E3"),  # in E
        ("C", "C#dim7: C#3 E3 G3 Bb3 | Dm7: A3", "C#3 E3 G3 Bb3 A3"),  # in C
        # One name for a sound in a bar.
        ("E", "Adim7: A2 C3 E2 B#2 | E6: C#3", "A2 C3 E2 C3 C#3"),  # a name a bar
        # The third of D#7 is a chord tone; its #9 is read as F#, what leads to A as A#.
        ("F# minor", "D#7#9: F##2 E##2 E2 D#2", "F##2 F#2 E2 D#2"),  # #9
        ("F# minor", "E7: B2 Bb2 | Amaj7: A2", "B2 A#2 A2"),  # three sharps
        ("F# minor", "E7: G#2 Bb2 | Amaj7: A2", "G#2 A#2 A2"),  # around A
        # The seventh of Gb7 before the third of B7.
        ("C", "Gb7: Fb3 | B7: D#3 | E7: D3", "Fb3 D#3 D3"),  # dominants
        # Upper neighbours in flat keys, and lower ones in sharp keys, by their plain names.
        ("F", "F7: F2 G2 A2 Cb3 | Bb7: Bb2", "F2 G2 A2 B2 Bb2"),  # above Bb
        ("Bb", "Bb7: D3 Fb3 | Eb7: Eb3", "D3 E3 Eb3"),  # above Eb
        ("Eb", "Fm7: F2 G2 Ab2 Cb3 | Bb7: Bb2", "F2 G2 Ab2 B2 Bb2"),  # in Eb
        ("D", "A7: A2 E#2 | D6/F#: F#2", "A2 F2 F#2"),  # below F#
        ("Gb", "Db7: Db3 Cb3 | Gb6: Bb2", "Db3 Cb3 Bb2"),  # of the key
        ("C# minor", "G#7: D#3 B#2 | C#m6: C#3", "D#3 B#2 C#3"),  # leading note
        # The b9 stays one on its way round the third.
        ("C", "G7alt: B1 A#1 Ab1 B1 | Cmaj7: C2", "B1 Bb1 Ab1 B1 C2"),  # b9
        # The altered scale down to its third.
        ("C", "G7: F3 Eb3 C#3 B2 A#2 Ab2 G2", "F3 Eb3 Db3 B2 Bb2 Ab2 G2"),  # falls
    ],
)  # fmt: skip
def test_read_at_sight(key: str, before: str, after: str) -> None:
    """Whole steps as steps, leading notes only a semitone below, names of the key or of a white
    key rather than others, one name for a sound in a bar (common practice, hand-worked)."""
    assert [str(pitch) for pitch in spelled(along(before, key))] == after.split()


@given(
    st.lists(st.integers(30, 60), min_size=1, max_size=12),
    st.sampled_from(["C7alt", "Ebm7b5", "F#dim7", "B7", "Gbmaj7", "A#m7"]),
    st.sampled_from(KEYS),
)
def test_only_names_change(keys: list[int], chord: str, key: str) -> None:
    """Every note sounds as before, by a name with no more accidentals than it came with or one, and
    the root keeps its name."""
    over = parse_chord(chord)
    plain = [over.root.above(d) for d in over.degrees if d.number <= 7]
    by_sound = {name.pitch_class: name for name in plain}
    named = [by_sound.get(each % 12, over.root.simplest) for each in keys]
    before = [Pitch.near(name, each) for name, each in zip(named, keys, strict=True)]
    after = spelled([LineTone(pitch, over, Key.parse(key)) for pitch in before])
    assert [pitch.midi for pitch in after] == [pitch.midi for pitch in before]
    for old, new in zip(before, after, strict=True):
        assert abs(new.name.alter) <= max(abs(old.name.alter), 1)
        assert new.name == old.name or old.name != over.root


@with_each("chord", ["C7alt", "B7", "Gbmaj7", "Am7", "Dm7b5", "F#m6", "Abmaj7"])
@with_each("key", KEYS)
def test_a_chord_is_spelled_as_its_symbol_says(chord: str, key: str) -> None:
    """Up and down through its own tones in thirds, a chord keeps its own names in every key."""
    over = parse_chord(chord)
    up = [Pitch(over.root, 2).up(each) for each in over.degrees if each.number <= 7]
    line = [LineTone(pitch, over, Key.parse(key)) for pitch in (*up, *up[::-1])]
    assert spelled(line) == [tone.pitch for tone in line]


@with_each("root", ["C", "F", "Bb", "Eb", "Ab", "Db", "F#", "B", "E", "A", "D", "G", "C#"])
@with_each("kind", ["dominant", "major-seventh", "minor-seventh", "half-diminished",
                                  "diminished-seventh", "minor-sixth"])  # fmt: skip
def test_each_degree_has_its_letter(root: str, kind: str) -> None:
    """By whatever names they come, in every key: a chord's tones are music21's of that kind on that
    root, name by name, going up and coming down."""
    theirs = harmony.ChordSymbol(root=root.replace("b", "-"), kind=kind).pitches
    over = Chord.of(parse_chord(root).root, KINDS[kind])
    names = [pitch.name.replace("-", "b") for pitch in theirs]
    up = [Pitch.near(Name.parse(name).simplest, 48 + pitch.ps - theirs[0].ps)
          for name, pitch in zip(names, theirs, strict=True)]  # fmt: skip
    for key in KEYS:
        line = [LineTone(pitch, over, Key.parse(key)) for pitch in (*up, *up[::-1])]
        assert [str(pitch.name) for pitch in spelled(line)] == [*names, *names[::-1]]


def test_a_chord_of_two_double_accidentals_is_another_one() -> None:
    """Gb Bbb Dbb Fbb is written F#dim7, Gb Bbb Dbb Fb F#m7b5, symbol and notes; Cdim7, with its one
    Bbb, and Gbm7 stay (hand-worked)."""
    for text, meant in (("Gbdim7", "F#dim7"), ("Gbm7b5", "F#m7b5"), ("Abdim7", "G#dim7"),
                        ("Cdim7", "Cdim7"), ("Gbm7", "Gbm7"), ("D#7", "D#7")):  # fmt: skip
        score = written(progression=text, key="C", line="arpeggio")
        chords = {span.chord.text for bar in score.chart.bars for span in bar.spans if span.chord
                  and bar.form_bar >= 0}  # fmt: skip
        assert chords == {meant}
        names = [note.pitch.name for note in line(score)]
        assert names == list(parse_chord(meant).names)


@with_each(
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
