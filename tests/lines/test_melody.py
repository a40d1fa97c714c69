"""The notation of melodies: what is read, and what is said about slips, to the column.

Lengths are those of the notes whose names they abbreviate; octave signs are Helmholtz's (common
practice).  The mark ¦ stands before each place that must be complained about, and nowhere else.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.drill.bars import METERS
from drillgen.drill.lesson import load
from drillgen.drill.melody import ScaleNote, length_of, read_melody
from drillgen.drill.messages import DrillError, RefusedError
from drillgen.theory.pitch import Pitch

MARK = "¦"
HEAD = "progression: I7 | IV7\nkey_cycle: C\n"


@pytest.mark.parametrize(
    ("text", "quarters"),
    [("w", 4), ("h", 2), ("q", 1), ("e", "1/2"), ("s", "1/4"), ("h.", 3), ("q.", "3/2"),
     ("e.", "3/4"), ("qt", "2/3"), ("et", "1/3"), ("ht", "4/3")],
)  # fmt: skip
def test_lengths(text: str, quarters: int | str) -> None:
    """A dot adds half, and three of a triplet take the time of two (common practice)."""
    assert length_of(text) == Fraction(quarters)


@pytest.mark.parametrize(
    ("text", "semitones"),
    [("1", 0), ("b3", 3), ("♭3", 3), ("#4", 6), ("♯4", 6), ("b7", 10), ("5,", -5), ("1'", 12),
     ("b3''", 27), ("b7,,", -14), ("b1", -1)],
)  # fmt: skip
def test_degrees(text: str, semitones: int) -> None:
    """Degrees count from the major scale; ' is an octave up, , an octave down."""
    (bar,) = read_melody(text).bars
    (event,) = bar.events
    assert isinstance(event.tone, ScaleNote) and event.tone.semitones == semitones


def test_a_length_goes_on_until_it_changes() -> None:
    """Also through rests and bar lines; the first is a quarter."""
    bars = read_melody("1 b3:e r 4 | 5 1:h.").bars
    lengths = [[event.duration for event in bar.events] for bar in bars]
    half = Fraction(1, 2)
    assert lengths == [[1, half, half, half], [half, 3]]
    assert [event.start for event in bars[0].events] == [0, 1, 1 + half, 2]
    assert [event.tone is None for event in bars[0].events] == [False, False, True, False]


def test_names_have_their_octave() -> None:
    """Scientific pitch notation: A2 is MIDI key 45, Bb2 46 (ISO 16: A4 = 440 Hz is 69)."""
    tones = read_melody("A2 Bb2:h F##3:q").tones
    assert tones == (Pitch.parse("A2"), Pitch.parse("Bb2"), Pitch.parse("F##3"))


@pytest.mark.parametrize("text", ["1 3 | %", "| 1 3 || % |", "1 3\n%\n", "1 3\n1 3", "|1 3|1 3|"])
def test_bars(text: str) -> None:
    """Bar lines and line ends divide bars, % repeats one, lines at the edges are tolerated."""
    bars = read_melody(text).bars
    assert [[str(e.tone) for e in bar.events] for bar in bars] == [["1", "3"]] * 2


@pytest.mark.parametrize(
    "notes",
    [
        "1:q 3 5 ¦x",
        "1:q ¦8 3 5",
        "1:q 3 5 ¦0",
        "1:¦z 3 5 1",
        "1:q 3 5¦-",
        "1:¦q.. 3 5",
        "1:h 3 | 1 | ¦| 3",
        "¦1:h 3:q | 1:w",
        "1:w | ¦1:h 3:q | 1:w | ¦1:w 1",
        "¦1:e | 1:w | 3:w",
        "¦5:q | 1:w | ¦3:h",
        "1:¦~ 1:h.",
        "1:w | ¦111:w",
        "1:w¦~ | 3:w",
        "1:h 1:h¦~",
        "1:h r¦~",
        "1:h ¦~ 3",
        "1:h ¦D2",
        "D2:h ¦1",
        "¦% | 1:w",
        "1:w | ¦% 1:h",
        "¦H2:w",
        "¦D0:w",
        "¦bb3:w",
        "¦1''''':w",
        "¦r:w",
        "1:q 3 5 ¦#",
    ],
)
def test_slips_are_named_to_the_column(notes: str, tmp_path: Path) -> None:
    """Line and column of every slip, in a quoted text and in one of several lines."""
    for indent, before, after in (
        (18, 'line: {kind: written, notes: "', '"}'),
        (4, "line:\n  kind: written\n  notes: |\n    ", "\n"),
    ):
        text = HEAD + before + notes + after + "\n"
        places = []
        for number, line in enumerate(text.split("\n"), 1):
            while MARK in line:
                places.append((number, line.index(MARK) + 1))
                line = line.replace(MARK, "", 1)
        path = tmp_path / f"{indent}.yaml"
        path.write_text(text.replace(MARK, ""), "utf-8")
        with pytest.raises(DrillError) as caught:
            load(path)
        assert [(p.line, p.column) for p in caught.value.problems] == places


def test_a_bar_that_does_not_add_up_is_told_with_what_it_needs(tmp_path: Path) -> None:
    """The message names the bar, what it adds up to, and what the meter needs."""
    path = tmp_path / "a.yaml"
    path.write_text(HEAD + 'line: {kind: riff, notes: "1:w | 1:h 3:q."}\n', "utf-8")
    with pytest.raises(DrillError, match=r"bar 2 adds up to 3 1/2 quarter notes; allowed: 4 .*4/4"):
        load(path)


def test_a_sharp_after_a_space_is_no_comment(tmp_path: Path) -> None:
    """YAML would drop the rest of the line without a word (YAML 1.2.2, 6.6); we do not."""
    path = tmp_path / "a.yaml"
    path.write_text(HEAD + "line:\n  kind: riff\n  notes: 1:q 3 5 #4\n", "utf-8")
    with pytest.raises(DrillError, match="begins a comment"):
        load(path)


@pytest.mark.parametrize(
    ("text", "meter", "pickup"),
    [
        ("5:e | 1:q 2 3 r:e", "4/4", "1/2"),
        ("5:q | 1:w | 3:h.", "4/4", 1),
        ("1:w | 3:w", "4/4", 0),
        ("3:q 5 | 1:q", "3/4", 2),
        ("5:e | 1:q. 3:q r:q", "5/4", 0),
        ("5:e | 1:q. 3:q", "6/8", "1/2"),
    ],
)
def test_a_pickup_and_the_last_bar_make_one(text: str, meter: str, pickup: int | str) -> None:
    """A pick-up is taken out of the last bar (common practice)."""
    melody = read_melody(text)
    bar = METERS[meter].bar
    assert melody.pickup(bar) == Fraction(pickup)
    if pickup:
        melody.check(METERS[meter])
        assert sum(each.length for each in melody.bars) % bar == 0


NOTES = st.sampled_from(["1", "b3", "5,", "r", "1'", "#4"])
LENGTHS = st.sampled_from(["w", "h", "q", "e", "s", "q.", "et", "h."])


@given(st.lists(st.tuples(NOTES, LENGTHS), min_size=1, max_size=12))
def test_events_follow_each_other_without_a_hole(words: list[tuple[str, str]]) -> None:
    """Each event begins where the one before it ended, and lasts as its letter says."""
    if all(note == "r" for note, _ in words):
        words = [*words, ("1", "q")]
    (bar,) = read_melody(" ".join(f"{note}:{length}" for note, length in words)).bars
    place = Fraction(0)
    for event, (_, length) in zip(bar.events, words, strict=True):
        assert (event.start, event.duration) == (place, length_of(length))
        place += event.duration
    assert bar.length == place


@given(st.text(alphabet="1b3#45',r:qe.t~|% D2\n", max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    """No text makes the reader stumble; what it refuses lies inside the text."""
    try:
        melody = read_melody(text)
    except RefusedError as refused:
        assert all(0 <= (wrong.offset or 0) <= len(text) for wrong in refused.wrongs)
    else:
        assert all(bar.length > 0 for bar in melody.bars)
