"""Lines, against worked examples and by what must hold in every key."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from drillgen.chart import Bar
from drillgen.drill.models import Drill
from drillgen.score import Note, Score
from tests.lines import writing
from tests.lines.writing import TWELVE, line


def written(**drill: Any) -> Score:
    return writing.written(**{"progression": "ii7 | V7 | Imaj7 | %", **drill})


def names(notes: tuple[Note, ...]) -> list[str]:
    return [str(note.pitch.name) for note in notes]


def bar_of(score: Score, note: Note) -> Bar:
    return score.chart.bar_at(note.start)


@pytest.mark.parametrize(
    ("begin_on", "expected"),
    [(7, ["C", "B", "B"]), (3, ["F", "F", "E"])],
)
def test_guide_tones_of_the_worked_example(begin_on: int, expected: list[str]) -> None:
    """Dm7 G7 Cmaj7: C to B, and F to E (R. Hutchinson, Music Theory for the 21st-Century
    Classroom, "Introduction to Jazz Theory")."""
    score = written(
        progression="Dm7 | G7 | Cmaj7",
        key_cycle="C",
        line={"kind": "guide tones", "begin_on": begin_on},
    )
    assert names(line(score)) == expected


def test_guide_tones_of_dominants_round_the_circle() -> None:
    """E7 A7 D7 G7: third and seventh fall by semitones, G# G F# F (Hutchinson: guide tones move by
    step round the circle of fifths); with tritone substitutes the thread is the same."""
    plain = written(progression="E7 | A7 | D7 | G7", key_cycle="C", line="guide tones")
    assert names(line(plain)) == ["G#", "G", "F#", "F"]
    substituted = written(progression="E7 | Eb7 | D7 | Db7", key_cycle="C", line="guide tones")
    keys = [note.pitch.midi for note in line(substituted)]
    assert keys == [note.pitch.midi for note in line(plain)]
    assert names(line(substituted)) == ["G#", "G", "F#", "F"]


@pytest.mark.parametrize("begin_on", [3, 7])
def test_guide_tones_move_by_the_smallest_step(begin_on: int) -> None:
    """Round the circle of fifths, in twelve keys, every step between chords is at most a whole tone
    (Hutchinson), and each note is the third or seventh of its chord."""
    score = written(
        progression="iii7 VI7 | ii7 V7 | Imaj7 | IVmaj7",
        key_cycle=TWELVE,
        line={"kind": "guide tones", "begin_on": begin_on},
    )
    for before, after in pairwise(line(score)):
        same_key = bar_of(score, before).key_number == bar_of(score, after).key_number
        assert not same_key or abs(after.pitch.midi - before.pitch.midi) <= 2
    for note in line(score):
        span = next(s for s in bar_of(score, note).spans if s.start <= note.start < s.end)
        assert span.chord and note.pitch.name in [
            span.chord.root.above(degree) for degree in span.chord.guide_tones
        ]


def test_both_voices_are_third_and_seventh() -> None:
    """With both voices every chord sounds its third and its seventh at once."""
    score = written(key_cycle=TWELVE, line={"kind": "guide tones", "voices": "both"})
    by_start: dict[Any, set[str]] = {}
    for note in line(score):
        by_start.setdefault(note.start, set()).add(note.mark.lstrip("b"))
    assert all(marks == {"3", "7"} for marks in by_start.values())


def test_an_arpeggio_keeps_its_order() -> None:
    """1 3 5 7 over Dm7 G7 Cmaj7 is D F A C, G B D F, C E G B, rising but for at most one turn by an
    octave in a chord, no wider than a sixth; 5 1 3 7 has the root below the fifth; the direction
    `down` reads the order backwards."""
    rising = written(key_cycle="C", progression="Dm7 | G7 | Cmaj7", line="arpeggio")
    assert names(line(rising)) == ["D", "F", "A", "C", "G", "B", "D", "F", "C", "E", "G", "B"]
    keys = [note.pitch.midi for note in line(rising)]
    for start in (0, 4, 8):
        steps = [b - a for a, b in pairwise(keys[start : start + 4])]
        assert sum(step < 0 for step in steps) <= 1 and min(steps) >= -9
    mixed = written(key_cycle="C", progression="Dm7", line={"kind": "arpeggio", "order": "5-1-3-7"})
    assert names(line(mixed)) == ["A", "D", "F", "C"]
    assert [b.pitch.midi - a.pitch.midi for a, b in pairwise(line(mixed))] == [-7, 3, 7]
    falling = written(
        key_cycle="C", progression="Dm7", line={"kind": "arpeggio", "direction": "down"}
    )
    assert names(line(falling)) == ["C", "A", "F", "D"]


def test_a_connected_arpeggio_joins_by_the_nearest_tone() -> None:
    """Joined arpeggios never move more than a minor third into the next chord of a two-five."""
    score = written(key_cycle=TWELVE, line={"kind": "arpeggio", "note": "eighth", "connect": True})
    notes = line(score)
    for before, after in pairwise(notes):
        if after.start == bar_of(score, after).start and bar_of(score, after).form_bar > 0:
            assert abs(after.pitch.midi - before.pitch.midi) <= 3


def test_a_connected_arpeggio_goes_there_and_back() -> None:
    """Over a chord twice as long as the figure it turns round: no leap is wider than within the
    chord, a fourth in root position and a third else (C E G B; hand-worked)."""
    options = {"kind": "arpeggio", "note": "eighth", "connect": True}
    score = written(key_cycle="C", progression="Cmaj7", passes=1, line=options)
    assert names(line(score)) == ["C", "E", "G", "B", "G", "E", "C", "E"]
    through = written(key_cycle=TWELVE, passes=1, line=options)
    steps = [abs(b.pitch.midi - a.pitch.midi) for a, b in pairwise(line(through))]
    assert max(steps) <= 12 and sum(step <= 5 for step in steps) >= 0.95 * len(steps)


@pytest.mark.parametrize("kind", ["guide tones", "roots", "arpeggio", "walking"])
@pytest.mark.parametrize("low_high", ["E1 to G3", "C2 to D3", "E1 to E2"])
def test_lines_stay_in_their_range(kind: str, low_high: str) -> None:
    """No kind of line leaves the range it was given, in any of the twelve keys."""
    score = written(
        key_cycle=TWELVE,
        line={"kind": kind, "range": low_high},
        progression="iiø7 | V7b9 | Imaj7 | VI7alt",
    )
    low, high = Drill.model_validate(
        {"progression": "I", "line": {"kind": kind, "range": low_high}}
    ).line.sounding_range  # type: ignore[union-attr]
    assert all(low <= note.pitch.midi <= high for note in line(score))


@pytest.mark.parametrize("kind", ["guide tones", "roots", "arpeggio", "walking"])
def test_the_line_leaves_the_response_free(kind: str) -> None:
    """The line sounds in calls only, and each call is the response's model: no note reaches in."""
    score = written(key_cycle=["C", "Gb"], gaps=4, line=kind)
    for note in line(score):
        bar = bar_of(score, note)
        assert bar.role == "call" and note.start + note.duration <= bar.end


def test_every_key_is_the_same_exercise() -> None:
    """A guide-tone line and an arpeggio have the same degrees in every key."""
    for kind in ("guide tones", "arpeggio"):
        score = written(key_cycle=TWELVE, line=kind)
        shapes = {}
        for note in line(score):
            shapes.setdefault(bar_of(score, note).key_number, []).append(note.mark)
        assert len({tuple(marks) for marks in shapes.values()}) == 1


def test_walking_outlines_the_chords() -> None:
    """Common practice: the root where a chord begins, and a semitone, a whole tone or a fifth into
    each change."""
    score = written(
        progression="I7 | IV7 | I7 | % | IV7 | #ivo7 | I7 | VI7 | ii7 | V7 | I7 VI7 | ii7 V7",
        key_cycle=TWELVE,
        line="walking",
        gaps="none",
    )
    notes = line(score)
    steps = []
    for before, after in pairwise(notes):
        bar = bar_of(score, after)
        span = next(s for s in bar.spans if s.start <= after.start < s.end)
        previous = next(s for s in bar_of(score, before).spans if s.start <= before.start < s.end)
        if span.start == after.start and span.chord != previous.chord and bar.form_bar > 0:
            assert span.chord and after.pitch.name == span.chord.bass_name
            steps.append(abs(after.pitch.midi - before.pitch.midi))
    assert len(steps) > 100
    assert set(steps) <= {1, 2, 5, 7}
