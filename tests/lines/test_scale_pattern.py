"""Scale patterns: hand-worked two-fives, scales against music21, and what holds everywhere."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from music21 import scale as reference
from music21.scale import Direction

from drillgen.drill.messages import DrillError
from drillgen.drill.models import Drill
from drillgen.drill.reader import drill_of
from drillgen.score import Note
from drillgen.theory.scales import chord_scale
from tests.lines.writing import (
    TWELVE,
    is_filled,
    keys,
    line,
    names,
    pitches,
    progressions,
    ranges,
    spans,
    under,
    written,
)

KIND = "scale pattern"


def pattern(**options: object) -> dict[str, object]:
    return {"kind": KIND, **options}


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({}, "D E F A G A B D C D E G"),
        ({"direction": "down", "range": "E1 to A3"}, "A F E D D B A G G E D C"),
        ({"direction": "alternating"}, "D E F A D B A G C D E G"),
        ({"pattern": "5 3 2 1", "range": "E1 to A3"}, "A F E D D B A G G E D C"),
        ({"pattern": "thirds"}, "D F E G G B A C C E D F"),
        ({"pattern": "fourths"}, "D G E A G C A D C F D G"),
        ({"pattern": "scale"}, "D E F G G A B C C D E F"),
        ({"pattern": "groups of four", "note": "eighth"},
         "D E F G E F G A G A B C A B C D C D E F D E F G"),
        ({"pattern": "thirds", "note": "triplet", "direction": "down"},
         "D B C A B G A F G E F A G E F D E C D F E G A B C A B G A F G E F D E C"),
    ],
)  # fmt: skip
def test_the_patterns_over_a_two_five_in_c(options: dict[str, object], expected: str) -> None:
    """Dm7 G7 Cmaj7 take dorian, mixolydian and ionian: white keys, in each pattern's order
    (hand-worked).  Three of 5 3 2 1 on end need more room than E1 to G3."""
    assert names(written(line=pattern(**options))) == expected


def test_a_long_chord_goes_up_its_octave_and_down_again() -> None:
    """Two bars of eighths under one chord: 1 to 8 and back, turning on the octave; in thirds the
    turn is 6 8 7 5 (hand-worked)."""
    score = written(progression="Dm7", meter="5/4", line=pattern(pattern="scale", note="eighth"))
    assert pitches(score) == "D2 E2 F2 G2 A2 B2 C3 D3 C3 B2"
    thirds = written(progression="Dm7", line=pattern(pattern="thirds", note="triplet"),
                     meter="5/4")  # fmt: skip
    assert names(thirds) == "D F E G F A G B A C B D C A B"


@pytest.mark.parametrize(
    ("chord", "expected"),
    [
        ("G7", "G A B C D E F F#"),  # major seventh between seventh and root
        ("Cmaj7", "C D E F G G# A B"),  # sharp fifth between fifth and sixth
        ("C6", "C D E F G G# A B"),
        ("Dm7", "D E F G A B C C#"),
        ("Bm7b5", "B C D E F G A A#"),
        ("C#dim7", "C# D# E F# G A Bb C"),  # eight notes as it is
    ],
)
def test_bebop_scales(chord: str, expected: str) -> None:
    """Each scale with its passing note (common practice): eight notes up the octave."""
    options = pattern(pattern="scale", note="eighth", bebop=True)
    assert names(written(progression=chord, line=options)) == expected


@pytest.mark.parametrize("direction", ["up", "down", "alternating"])
@pytest.mark.parametrize("connect", [False, True])
@pytest.mark.parametrize("progression", ["ii7 | V7 | Imaj7 | vi7", "iiø7 | V7b9 | i6 | VI7",
                                         "ii7 V7 | I6 | iv7 bVII7 | Imaj7"])  # fmt: skip
def test_a_bebop_line_has_chord_tones_on_the_beats(
    direction: str, connect: bool, progression: str
) -> None:
    """Every beat of a bebop line is a chord tone; the sixth counts as one over a major seventh
    (common practice), in twelve keys and both ways."""
    options = pattern(pattern="scale", note="eighth", bebop=True, direction=direction,
                      connect=connect)  # fmt: skip
    score = written(progression=progression, key_cycle=TWELVE, line=options)
    for span in spans(score):
        chord = span.chord
        assert chord
        tones = {name.pitch_class for name in chord.names}
        if chord.symbol == "maj7":
            tones.add((chord.root.pitch_class + 9) % 12)
        for note in under(score, span):
            if (note.start - span.start) % 1 == 0:
                assert note.pitch.name.pitch_class in tones, (chord.text, str(note.pitch))


def test_the_last_passing_note_resolves_into_the_next_chord() -> None:
    """A rising minor seventh's bebop scale ends its bar on the passing note under the root: a step
    further up follows, which is the fifth of the dominant (common practice: a chromatic passing
    note moves on by step, the way it came), in twelve keys."""
    options = pattern(pattern="scale", note="eighth", bebop=True, direction="alternating",
                      range="C2 to C5")  # fmt: skip
    score = written(key_cycle=TWELVE, line={**options, "instrument": "cello"})
    moves = []
    for before, span in pairwise(spans(score)):
        chord = span.chord
        if before.chord and before.chord.symbol == "m7" and chord:
            *_, last = under(score, before)
            first = under(score, span)[0]
            assert first.pitch.name.pitch_class == (chord.root.pitch_class + 7) % 12
            moves.append(first.pitch.midi - last.pitch.midi)
    assert len(moves) == 12 and all(move % 12 == 1 for move in moves)
    assert moves.count(1) >= 10  # at the range's end it goes on an octave lower


def test_a_connected_scale_moves_by_step_through_every_change() -> None:
    """Scales without a seam: no step is wider than a whole tone (an augmented second inside
    phrygian dominant), and the line reaches both ends of its range."""
    options = pattern(pattern="scale", note="eighth", connect=True)
    score = written(progression="iii7 | VI7 | ii7 | V7", passes=1, key_cycle="C", line=options)
    keys_played = [note.pitch.midi for note in line(score)]
    assert max(abs(b - a) for a, b in pairwise(keys_played)) <= 3
    assert len(keys_played) == 32


@pytest.mark.parametrize(
    ("scales", "expected"),
    [
        ({"V7": "altered"}, "G Ab A# B C# Eb F G"),
        ({"G7": "altered"}, "G Ab A# B C# Eb F G"),
        ({"7": "whole tone"}, "G A B C# D# F G F"),
        ({7: "bebop dominant"}, "G A B C D E F F#"),
        ({"7": "whole tone", "V7": "lydian dominant"}, "G A B C# D E F G"),
        ({"m7": "aeolian"}, "G A B C D E F G"),
    ],
)
def test_a_teacher_chooses_the_scale(scales: dict[object, str], expected: str) -> None:
    """By numeral, by symbol or by quality; what names this very chord goes before its quality.
    The scales of G7 are hand-worked."""
    score = written(progression="Dm7 | G7", line=pattern(
        pattern="scale", note="eighth", scales=scales))  # fmt: skip
    assert [str(note.pitch.name) for note in under(score, spans(score)[1])] == expected.split()


def test_a_chord_named_by_its_symbol_moves_with_the_key() -> None:
    """`G7: altered` in C means F7 in B flat, whether the progression is symbols or numerals."""
    for progression in ("Dm7 | G7", "ii7 | V7"):
        options = pattern(scales={"G7": "altered"}, pattern="1 2 3 5")
        score = written(progression=progression, key_cycle="Bb", line=options)
        assert names(score) == "C D Eb G F Gb A Db"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"scales": {"V7": "alterd"}}, 'did you mean "altered"'),
        ({"scales": {"V77": "altered"}}, "is no chord"),
        ({"scales": {}}, "names no chords"),
        ({"pattern": "thrids"}, 'did you mean "thirds"'),
        ({"pattern": "1 2 3 15"}, "is no degree"),
        ({"bebop": True}, "pattern: scale and note: eighth"),
        ({"begin_at": 5}, "4/4 has no beat 5"),
    ],
)
def test_what_cannot_be_played_is_said(options: dict[str, object], said: str) -> None:
    """Each slip is answered with what is allowed or meant."""
    with pytest.raises(DrillError, match=said):
        drill_of({"progression": "ii7 | V7", "line": pattern(**options)})


MUSIC21 = {
    "ii7": reference.DorianScale, "iii7": reference.PhrygianScale, "IVmaj7": reference.LydianScale,
    "V7": reference.MixolydianScale, "vi7": reference.MinorScale, "viiø7": reference.LocrianScale,
    "Imaj7": reference.MajorScale, "i(maj7)": reference.MelodicMinorScale,
    "V7#5": reference.WholeToneScale,
}  # fmt: skip


@pytest.mark.parametrize("numeral", MUSIC21)
def test_the_scale_played_is_music21s(numeral: str) -> None:
    """The scale of each chord of the key, in twelve keys, sounds as music21's of that name."""
    options = pattern(pattern="scale", note="triplet")
    score = written(progression=numeral, key_cycle=TWELVE, line=options)
    for span in spans(score):
        assert span.chord
        tonic = str(span.chord.root).replace("b", "-")
        octave = MUSIC21[numeral](tonic).getPitches(
            f"{tonic}3", f"{tonic}4", direction=Direction.ASCENDING
        )
        played = {note.pitch.midi % 12 for note in under(score, span)}
        assert played == {pitch.pitchClass for pitch in octave}


OPTIONS = st.fixed_dictionaries(
    {
        "kind": st.just(KIND),
        "pattern": st.sampled_from([1235, "5 3 2 1", "1 3 5 9", "scale", "thirds", "fourths",
                                    "groups of four"]),
        "direction": st.sampled_from(["up", "down", "alternating"]),
        "note": st.sampled_from(["quarter", "eighth", "triplet"]),
        "connect": st.booleans(),
        "range": ranges,
    }
)  # fmt: skip


@given(OPTIONS, progressions, keys)
def test_every_pattern_fills_every_chord_with_its_scale(
    options: dict[str, object], bars: tuple[str, str], key_cycle: list[str]
) -> None:
    """For any chords in any keys: notes of the chord's scale, inside the range, from the chord's
    start to its end, with at most double accidentals."""
    assume(len({key.endswith("minor") for key in key_cycle}) == 1)
    meter, progression = bars
    score = written(progression=progression, key=key_cycle[0], key_cycle=key_cycle, meter=meter,
                    line=options)  # fmt: skip
    drawn = Drill.model_validate({"progression": "I", "line": options}).line
    assert drawn
    low, high = drawn.sounding_range
    for bar in score.chart.bars:
        for span in bar.spans if bar.form_bar >= 0 else ():
            assert span.chord
            names = chord_scale(span.chord, bar.key, span.leads_to).names(span.chord.root)
            scale = {name.pitch_class for name in names}
            notes = under(score, span)
            assert is_filled(notes, span)
            for note in notes:
                assert low <= note.pitch.midi <= high
                assert note.pitch.name.pitch_class in scale
                assert abs(note.pitch.name.alter) <= 2


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"pattern": "thirds", "note": "eighth"},
        {"pattern": "scale", "note": "eighth", "bebop": True},
    ],
)
def test_every_key_is_the_same_exercise(options: dict[str, object]) -> None:
    """The same degrees and intervals in twelve keys, whole in one octave; only a key whose range
    does not hold an order turns one, never the first."""
    in_keys = []
    for key in TWELVE:
        notes = line(written(key_cycle=key, line=pattern(**options)))
        size = len(notes) // 3
        in_keys.append([_shape(notes[start : start + size]) for start in range(0, 3 * size, size)])
    in_c = in_keys[0]
    for shapes in in_keys:
        assert shapes[0] == in_c[0]
        assert [_tones(*shape) for shape in shapes] == [_tones(*shape) for shape in in_c]
    assert sum(shapes != in_c for shapes in in_keys) <= (1 if not options else 0)


def _tones(marks: Sequence[str], steps: Sequence[int]) -> list[tuple[int, str]]:
    """What a shape is made of, from low to high: semitones over its lowest note, and degrees."""
    heights = list(accumulate(steps, initial=0))
    return sorted(
        (height - min(heights), mark) for height, mark in zip(heights, marks, strict=True)
    )


def _shape(notes: Sequence[Note]) -> tuple[tuple[str, ...], tuple[int, ...]]:
    """The degrees of some notes, and the semitones from each to the next."""
    steps = (b.pitch.midi - a.pitch.midi for a, b in pairwise(notes))
    return tuple(note.mark for note in notes), tuple(steps)


def test_a_new_key_is_no_leap_of_an_octave() -> None:
    """Down by semitones through twelve keys, each key begins within a fourth of the last one's
    beginning until the range ends, where once it must go up."""
    score = written(key_cycle="chromatic down", line=pattern())
    firsts = [under(score, bar.spans[0])[0].pitch.midi for bar in score.chart.bars
              if bar.form_bar == 0]  # fmt: skip
    leaps = [abs(b - a) for a, b in pairwise(firsts)]
    assert all(leap == 1 for leap in leaps if leap < 6)
    assert sum(leap >= 6 for leap in leaps) <= 1


def test_six_eight_has_three_eighths_in_a_beat() -> None:
    """An eighth in 6/8 is a third of its beat: six to the bar (the meter's own name)."""
    from fractions import Fraction

    from drillgen.lines.pass_context import note_length

    assert note_length("eighth", Fraction(3, 2)) == Fraction(1, 2)
    assert note_length("eighth", Fraction(1)) == Fraction(1, 2)
    assert note_length("triplet", Fraction(1)) == Fraction(1, 3)
