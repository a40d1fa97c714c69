"""Written melodies: transposed as they are, spelled for the key, moved as little as can be."""

from __future__ import annotations

from itertools import pairwise

import music21
import pytest
from hypothesis import given
from hypothesis import strategies as st
from quicktions import Fraction

from drillgen.drill.bars import METERS
from drillgen.drill.lines import Written
from drillgen.drill.reader import drill_of
from drillgen.score import Score
from tests.examples import examples
from tests.lines.melodies import TWELVE, bar_of, by_pass, names, notes_of, one_at_a_time, score_of
from tests.lines.melodies import places as places_in

CYCLES = ["fourths", "fifths", "chromatic up", "chromatic down", "whole steps down", "shuffled"]


def melody(notes: str, **drill: object) -> Score:
    own = ("then", "range", "begin_at")
    line = {"kind": "written", "notes": notes, **{k: drill.pop(k) for k in own if k in drill}}
    return score_of(
        **{"progression": "I | %", "gaps": "off", "key_cycle": "C", **drill, "line": line}
    )


def keys_of(score: Score) -> list[int]:
    return [note.pitch.midi for note in notes_of(score)]


def test_the_signs_are_heard_as_they_are_written() -> None:
    """A dotted quarter, an eighth, a rest, a triplet and a tie over the bar line (common practice);
    5, lies a fourth below the tonic."""
    score = melody("1:q. 5,:e r:q 3:et 2 1 | 3:h~ 3:e b3:e 1:q")
    found = notes_of(score)
    assert names(found) == ["C", "G", "E", "D", "C", "E", "Eb", "C"]
    third, half = Fraction(1, 3), Fraction(1, 2)
    assert [n.duration for n in found] == [3 * half, half, third, third, third, 5 * half, half, 1]
    assert places_in(score, found)[:5] == [0, 3 * half, 3, 3 + third, 3 + 2 * third]
    assert found[0].pitch.midi - found[1].pitch.midi == 5


def test_notes_by_name_keep_their_octave_in_the_first_key() -> None:
    """D2 is MIDI key 38 (scientific pitch notation); a drill in D begins with it."""
    score = melody("D2:q F#2 A2 D3", key="D", key_cycle=["D"], progression="I")
    assert keys_of(score) == [38, 42, 45, 50]


def test_notes_by_name_are_in_the_drills_key() -> None:
    """D E F# in D are, a fourth higher, G A B (common practice); in Eb they are Eb F G."""
    score = melody("D2:q E2 F#2:h", key="D", key_cycle=["G", "Eb"], progression="I")
    assert [names(found) for found in by_pass(score)] == [["G", "A", "B"], ["Eb", "F", "G"]]


DEGREES = st.lists(
    st.sampled_from(["1", "b2", "2", "b3", "3", "4", "#4", "5", "b6", "6", "b7", "7"]),
    min_size=4,
    max_size=4,
)


@examples(60)
@given(DEGREES, st.sampled_from(CYCLES), st.integers(0, 1000))
def test_transposition_is_exact(degrees: list[str], cycle: str, seed: int) -> None:
    """In every key the same intervals, the same rhythm and the same degrees; no leap of an octave
    or more from key to key, all within the range."""
    score = melody(" ".join(degrees), key_cycle=cycle, progression="I", seed=seed)
    passes = by_pass(score)
    shapes = {tuple(n.pitch.midi - found[0].pitch.midi for n in found) for found in passes}
    assert len(shapes) == 1
    assert {tuple(n.mark for n in found) for found in passes} == {tuple(degrees)}
    assert all(28 <= key <= 55 for key in keys_of(score))  # E1 to G3, the upright's
    first = [found[0].pitch.midi for found in passes]
    assert all(abs(b - a) < 12 for a, b in pairwise(first))


@examples(60)
@given(DEGREES, st.sampled_from(TWELVE))
def test_spelling_is_that_of_the_interval(degrees: list[str], key: str) -> None:
    """Letters and accidentals as music21 (PyPI) transposes them from C by the interval of the keys'
    tonics."""
    (at_home,) = by_pass(melody(" ".join(degrees), progression="I"))
    (moved,) = by_pass(melody(" ".join(degrees), progression="I", key_cycle=[key]))
    interval = music21.interval.Interval(
        music21.pitch.Pitch("C4"), music21.pitch.Pitch(key.replace("b", "-") + "4")
    )
    for before, after in zip(at_home, moved, strict=True):
        expected = interval.transposePitch(
            music21.pitch.Pitch(str(before.pitch).replace("b", "-")), maxAccidental=None
        )
        assert str(after.pitch.name) == expected.name.replace("-", "b")


@pytest.mark.parametrize("cycle", ["chromatic up", "chromatic down"])
def test_a_melody_climbs_through_all_keys_where_the_range_allows(cycle: str) -> None:
    """Twelve keys by semitones need eleven semitones beside the melody's own seven: two octaves and
    a third have them, so no key leaps (each moves by one)."""
    score = melody("1 2 3 5", key_cycle=cycle, progression="I", range="E1 to G3")
    first = [found[0].pitch.midi for found in by_pass(score)]
    assert {abs(b - a) for a, b in pairwise(first)} == {1}


@pytest.mark.parametrize(
    "span",
    [pytest.param("E1 to E2", id="an octave"), pytest.param("A1 to C3", id="an octave and a half")],
)
def test_a_melody_wider_than_its_range_is_folded_into_it(span: str) -> None:
    """Where no octave holds all of it, single notes are folded; names and rhythm stay."""
    score = melody("5,:e 1 3 5 1':h", key_cycle=TWELVE, progression="I", range=span)
    low, high = score.chart.drill.line.sounding_range  # type: ignore[union-attr]
    assert all(low <= key <= high for key in keys_of(score))
    assert {tuple(n.mark for n in found) for found in by_pass(score)} == {("5", "1", "3", "5", "1")}


def test_a_shorter_melody_repeats_or_rests() -> None:
    """Two bars over a form of five: three times, the last cut short, or once."""
    again = melody("1:w | 3:w", progression="I | % | % | % | %")
    assert names(notes_of(again)) == ["C", "E", "C", "E", "C"]
    once = melody("1:w | 3:w", progression="I | % | % | % | %", then="rest", passes=2)
    assert [names(found) for found in by_pass(once)] == [["C", "E"]] * 2


def test_it_goes_on_from_call_to_call() -> None:
    """Two calls of two bars over a form of four hold a melody of four bars."""
    score = melody("1:w | 2:w | 3:w | 5:w", progression="I | % | % | %", gaps=2)
    assert [(n.mark, bar_of(score, n).role) for n in notes_of(score)] == [
        (mark, "call") for mark in ("1", "2", "3", "5")
    ]


def test_a_tie_into_a_response_is_cut() -> None:
    """The gap is the student's: a note tied over its bar line ends there, and is struck again where
    the melody goes on."""
    score = melody("1:h. 3:q~ | 3:h 1", progression="I | %", gaps=1)
    assert [note.duration for note in notes_of(score)] == [3, 1, 2, 2]


def test_a_pickup_to_the_next_key_is_in_that_key_and_cuts_nothing_short() -> None:
    """The last bar leaves room for the pick-up to the next key; one note sounds at a time."""
    score = melody("5,:e 7, | 1:h 3 | 5:h 1:q", key_cycle=["C", "F"])
    found = notes_of(score)
    assert names(found) == ["G", "B", "C", "E", "G", "C", "C", "E", "F", "A", "C", "F"]
    assert one_at_a_time(found)
    assert [bar_of(score, note).key.short for note in found[6:9]] == ["C", "C", "F"]


@examples(60)
@given(
    st.sampled_from([("2/4", 2), ("3/4", 3), ("4/4", 4), ("5/4", 5)]),
    st.lists(st.sampled_from(["1:q", "r:q", "3:e 5:e", "b3:et 2 1", "5,:e. 1:s", "4:q~ 4:q"]),
             min_size=30, max_size=30),
    st.sampled_from(["off", 1, 2, {"call": 1, "response": 2, "harmony": "continues"}]),
    st.sampled_from(["repeat", "rest"]),
)  # fmt: skip
def test_notes_never_overlap_and_leave_the_gap(
    meter: tuple[str, int], beats: list[str], gaps: object, then: str
) -> None:
    """In every meter, whatever the melody: one note at a time, none reaching into a response."""
    name, count = meter
    bars: list[str] = []
    words = iter(beats)
    for _ in range(3):
        left, bar = count, []
        while left:
            word = next(words)
            size = 2 if "~" in word else 1
            bar.append(word if size <= left else "1:q")
            left -= size if size <= left else 1
        bars.append(" ".join(bar))
    text = " | ".join(bars)
    if not set(text) & set("12345"):
        text = text.replace("r:q", "1:q", 1)
    score = melody(text, meter=name, progression="I | IV | V | I", gaps=gaps, then=then, passes=2)
    assert one_at_a_time(notes_of(score))
    for note in notes_of(score):
        bar = bar_of(score, note)
        assert bar.role in ("call", "play")
        ends = next((b.start for b in score.chart.bars[bar.number :] if b.role == "response"),
                    score.chart.end)  # fmt: skip
        assert note.start + note.duration <= ends


def test_the_compound_meter_is_read() -> None:
    """Six eighths make a bar of 6/8, whose beat is a dotted quarter (common practice).  The melody
    is checked where the meter's feel has a player."""
    Written.model_validate({"notes": "1:q. 3:e 2 1 | 5:h."}).check(METERS["6/8"])
    with pytest.raises(ValueError, match="bar 1 adds up to 4 quarter notes"):
        Written.model_validate({"notes": "1:q 2 3 4"}).check(METERS["6/8"])


def test_options_are_read_as_written() -> None:
    """A melody read twice is the same value."""
    text = {"kind": "written", "notes": "1:h 3 | 5:w", "then": "rest"}
    drill = drill_of({"progression": "I", "line": text})
    assert drill == drill_of({"progression": "I", "line": dict(text)})
