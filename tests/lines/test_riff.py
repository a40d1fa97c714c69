"""Riffs, against hand-worked blues and by what must hold in every key."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from quicktions import Fraction

from drillgen.drill.messages import DrillError
from drillgen.score import Note, Score
from tests.examples import examples
from tests.lines.melodies import (
    BLUES,
    TWELVE,
    bar_of,
    by_pass,
    names,
    notes_of,
    one_at_a_time,
    score_of,
)
from tests.lines.melodies import places as places_in

RIFF = "1:e 3 5:q 6:e 5 3:q"


def riff(notes: str, **drill: object) -> Score:
    options = {key: drill.pop(key) for key in ("develop", "blue", "range") if key in drill}
    line = {"kind": "riff", "notes": notes, **options}
    return score_of(
        **{"progression": BLUES, "key_cycle": "C", "gaps": "off", **drill, "line": line}
    )


def over_each_chord(notes: str, progression: str, **drill: object) -> list[str]:
    """The names in each bar, a text a bar."""
    score = riff(notes, progression=progression, **drill)
    bars: dict[int, list[Note]] = {}
    for note in notes_of(score):
        bars.setdefault(bar_of(score, note).number, []).append(note)
    return [" ".join(names(found)) for found in bars.values()]


def test_over_the_fourth_the_third_becomes_minor() -> None:
    """C E G A over F7 is C Eb G A: IV7's seventh is the tonic's minor third (common practice); over
    I7 and V7 the riff is as written."""
    assert over_each_chord("1 3 5 6", "I7 | IV7 | I7 | V7") == [
        "C E G A", "C Eb G A", "C E G A", "C E G A",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("progression", "expected"),
    [
        ("iv7", "C Eb G Ab Bb"),  # F Ab C Eb; its scale has Bb, not B
        ("bVII7", "C E G Ab Bb"),  # Bb D F Ab with E, its #11; A and B rub against seventh and root
        ("Imaj7", "C E G A B"),
        ("VI7", "C E G A B"),  # A C# E G: C is its #9, B its ninth
        ("N.C.", "C E G A B"),
    ],
)
def test_what_contradicts_a_chord_moves_by_a_semitone(progression: str, expected: str) -> None:
    """Hand-worked from the chords' tones and the scales that go with them (common practice): what
    fits stays, the rest moves by a semitone into chord or scale, by its own letter first."""
    (found,) = over_each_chord("1 3 5 6:e 7", progression)
    assert found == expected


def test_blue_notes_stay_unless_asked() -> None:
    """The tonic's b3 stays over I7, whose third is major (blues, common practice); without blue
    notes it rises into it."""
    assert over_each_chord("1 b3 5 b7", "I7 | IV7") == ["C Eb G Bb", "C Eb G Bb"]
    assert over_each_chord("1 b3 5 b7", "I7 | IV7", blue=False) == ["C E G Bb", "C Eb G Bb"]
    assert over_each_chord("1 3 5 6", "VI7", blue=False) == ["C# E G A"]  # A7: A C# E G


def test_an_anticipation_belongs_to_the_chord_that_it_is_tied_into() -> None:
    """A third on the last eighth, tied into IV7, is already minor (common practice)."""
    score = riff("1:q. 3:e 5:q 1:e 3~ | 3:h 1", progression="I7 | IV7")
    marks = [(note.mark, note.duration) for note in notes_of(score)]
    assert marks[1] == ("3", Fraction(1, 2))
    assert marks[4] == ("b3", Fraction(5, 2))


@examples(40)
@given(
    st.lists(st.sampled_from(["1", "2", "b3", "3", "4", "#4", "5", "6", "b7", "7", "5,", "1'"]),
             min_size=4, max_size=4),
    st.sampled_from(["E1 to G3", "C2 to E4", "A1 to A2", "C1 to C5"]),
    st.booleans(),
)  # fmt: skip
def test_the_same_riff_in_every_key(notes: list[str], span: str, blue: bool) -> None:
    """In twelve keys: the same degrees, no note out of range, no more than a semitone from what was
    written, and no leap of an octave or more from key to key."""
    score = riff(" ".join(notes), key_cycle=TWELVE, range=span, blue=blue)
    low, high = score.chart.drill.line.sounding_range  # type: ignore[union-attr]
    passes = by_pass(score)
    assert one_at_a_time(notes_of(score))
    assert all(low <= note.pitch.midi <= high for note in notes_of(score))
    assert len({tuple(note.mark for note in found) for found in passes}) == 1
    first = [found[0].pitch.midi for found in passes]
    assert all(abs(b - a) < 12 for a, b in pairwise(first))
    keys = [note.pitch.midi for note in passes[0]]
    if max(keys) - min(keys) + 13 < high - low:  # so that every key can hold it as it is
        shapes = {tuple(n.pitch.midi - found[0].pitch.midi for n in found) for found in passes}
        assert len(shapes) == 1


def heard(score: Score) -> list[tuple[tuple[str, ...], tuple[Fraction, ...]]]:
    """Degrees and places of the notes in each bar in which the line sounds."""
    bars: dict[int, list[Note]] = {}
    for note in notes_of(score):
        bars.setdefault(bar_of(score, note).number, []).append(note)
    return [
        (tuple(str(note.pitch) for note in found), tuple(places_in(score, found)))
        for found in bars.values()
    ]


@examples(40)
@given(st.integers(0, 2**20), st.sampled_from([("4/4", RIFF), ("3/4", "1:e 3 5:q 6:e 5"),
                                               ("5/4", RIFF + " r:q"), ("2/4", "1:e 3 5:e. 6:s")]),
       st.sampled_from(["off", {"call": 1}, {"call": 2, "harmony": "continues"}]))  # fmt: skip
def test_developing_changes_exactly_one_note(
    seed: int, written: tuple[str, str], gaps: object
) -> None:
    """Over one chord, each time round differs from the time before in one pitch, and in no place;
    the first time is as written."""
    meter, notes = written
    drill = {"progression": "I6 | % | % | %", "meter": meter, "passes": 3, "gaps": gaps}
    plain = heard(riff(notes, **drill))
    rounds = heard(riff(notes, develop="note", seed=seed, **drill))
    assert rounds[0] == plain[0] and len(rounds) == len(plain) > 2
    for before, after in pairwise(rounds):
        assert sum(a != b for a, b in zip(before[0], after[0], strict=True)) == 1
        assert before[1] == after[1] and before[0][0] == after[0][0]


@examples(40)
@given(st.integers(0, 2**20), st.sampled_from([("4/4", RIFF), ("3/4", "1:e 3 5:q 6:e 5"),
                                               ("4/4", "1:q r 5 r:e 6")]))  # fmt: skip
def test_developing_the_rhythm_moves_exactly_one_note(seed: int, written: tuple[str, str]) -> None:
    """Each time round differs from the time before in the place of one note, and in no pitch."""
    meter, notes = written
    score = riff(notes, progression="I6 | % | % | %", meter=meter, passes=3, develop="rhythm",
                 seed=seed)  # fmt: skip
    assert one_at_a_time(notes_of(score))
    rounds = heard(score)
    for before, after in pairwise(rounds):
        assert before[0] == after[0]
        assert sum(a != b for a, b in zip(before[1], after[1], strict=True)) == 1


def test_every_key_develops_alike_and_begins_as_written() -> None:
    """The changes are those of the first key, transposed: each key is the same exercise."""
    score = riff(RIFF, key_cycle=TWELVE, develop="note", progression="I6 | %", passes=2)
    passes = by_pass(score)
    marks = [[note.mark for note in found] for found in passes]
    assert all(marks[turn] == marks[turn + 2] for turn in range(len(marks) - 2))
    assert marks[0][:6] == ["1", "3", "5", "6", "5", "3"] != marks[1][:6]


def test_a_pickup_sounds_before_its_call() -> None:
    """The pick-up to the first call lies in the count-in, that to the next in the response's last
    beat, which the melody's last bar leaves free for the student too."""
    score = riff("5,:q | 1:h 3:q", progression="I6 | %", gaps=1)
    where = [(note.mark, bar_of(score, note).role, place) for note, place in
             zip(notes_of(score), places_in(score, notes_of(score)), strict=True)]  # fmt: skip
    assert where == [
        ("5", "count-in", 3), ("1", "call", 0), ("3", "call", 2),
        ("5", "response", 3), ("1", "call", 0), ("3", "call", 2),
    ]  # fmt: skip


def test_without_a_count_in_nothing_sounds_before_the_beginning() -> None:
    """The first pick-up has no place then, the later ones have."""
    score = riff("5,:q | 1:h 3:q", progression="I6 | %", count_in=0)
    assert [note.mark for note in notes_of(score)] == ["1", "3", "5", "1", "3"]


def test_riffs_that_cannot_be_are_refused() -> None:
    """A riff needs its notes, in degrees, and two of them to develop."""
    for line, message in (
        ({"kind": "riff"}, '"notes" is missing'),
        ({"kind": "riff", "notes": "D2:w"}, "a riff is written in degrees"),
        ({"kind": "riff", "notes": "1:h 1", "develop": "note"}, "one note only"),
        ({"kind": "riff", "notes": "1:w", "develop": "all"}, '"all" is not known'),
    ):
        with pytest.raises(DrillError, match=message):
            score_of(progression="I7", line=line)
