"""How lines turn, and how they go from chord to chord."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import Any

import pytest

from drillgen.score import Score
from tests.lines.writing import TWELVE, line, names, pitches, spans, under, written

TURNAROUND = "Imaj7 | vi7 | ii7 | V7"


def changes(score: Score) -> list[int]:
    """Semitones from the last note over each chord to the first one over the next."""
    by_chord = [under(score, span) for span in spans(score)]
    return [abs(b[0].pitch.midi - a[-1].pitch.midi) for a, b in pairwise(by_chord)]


@pytest.mark.parametrize(
    ("meter", "note", "expected"),
    [
        ("4/4", "eighth", "C E G B G E C E"),
        ("4/4", "triplet", "C E G B G E C E G B G E"),
        ("3/4", "quarter", "C E B"),  # three notes for four: without the fifth
    ],
)
def test_a_figure_turns_round(meter: str, note: str, expected: str) -> None:
    """1 3 5 7 over a bar goes there and back instead of leaping to its root (hand-worked)."""
    options = {"kind": "arpeggio", "note": note}
    assert names(written(progression="Cmaj7", meter=meter, line=options)) == expected


@pytest.mark.parametrize("note", ["quarter", "eighth", "triplet"])
@pytest.mark.parametrize(
    "progression", [TURNAROUND, "ii7 V7 | Imaj7 VI7", "iiø7 | V7b9 | i6 | iv7"]
)
def test_a_connected_arpeggio_goes_on_by_step(note: str, progression: str) -> None:
    """In twelve keys each chord begins a step from the last note, or (common practice: it says
    less) on the same one; at most one change in twenty is wider."""
    score = written(progression=progression, key_cycle=TWELVE, line={
        "kind": "arpeggio", "note": note, "connect": True})  # fmt: skip
    for bars in score.chart.passes():
        inside = [span for bar in bars for span in bar.spans]
        found = [under(score, span) for span in inside]
        moves = [abs(b[0].pitch.midi - a[-1].pitch.midi) for a, b in pairwise(found)]
        assert max(moves) <= 7 and sum(move > 2 for move in moves) <= 1


def test_a_connected_arpeggio_goes_on_where_its_chord_stays() -> None:
    """Over a chord that stays no bar begins with the note that the one before ended on: in twelve
    keys another tone lies close by (common practice)."""
    score = written(progression="Dm7 | % | % | % | Ebm7 | % | % | %", key="C", key_cycle=TWELVE,
                    line={"kind": "arpeggio", "connect": True})  # fmt: skip
    for bars in score.chart.passes():
        inside = [span for bar in bars for span in bar.spans]
        found = [under(score, span) for span in inside]
        assert all(a[-1].pitch != b[0].pitch for a, b in pairwise(found))


@pytest.mark.parametrize("pattern", ["scale", "thirds", "groups of four"])
@pytest.mark.parametrize("direction", ["up", "alternating"])
def test_a_scale_leads_into_the_next_chord(pattern: str, direction: str) -> None:
    """In twelve keys no change within a pass is wider than a fifth, and nine in ten are steps or
    on the same note; no step of a scale is lost on the way: neighbours lie within a fourth."""
    options = {"kind": "scale pattern", "pattern": pattern, "direction": direction}
    score = written(progression="ii7 | V7 | Imaj7 | vi7", key_cycle=TWELVE,
                    line={**options, "note": "eighth"})  # fmt: skip
    moves: list[int] = []
    for bars in score.chart.passes():
        found = [under(score, span) for bar in bars for span in bar.spans]
        moves += [abs(b[0].pitch.midi - a[-1].pitch.midi) for a, b in pairwise(found)]
        for notes in found:
            assert max(abs(b.pitch.midi - a.pitch.midi) for a, b in pairwise(notes)) <= 5
    assert max(moves) <= 7
    assert sum(move <= 2 for move in moves) >= 0.9 * len(moves)


@pytest.mark.parametrize("line", [{"kind": "arpeggio"}, {"kind": "scale pattern"}], ids=str)
def test_an_order_with_time_to_spare_leads_on(line: dict[str, object]) -> None:
    """Eighths over a bar: in twelve keys each chord has its order whole, and nine of ten changes
    are made by a step or on the same note, none by more than a fifth."""
    score = written(progression="ii7 | V7 | Imaj7 | VI7", key_cycle=TWELVE,
                    line={**line, "note": "eighth"})  # fmt: skip
    order = ["1", "3", "5", "7"] if line["kind"] == "arpeggio" else ["1", "2", "3", "5"]
    moves: list[int] = []
    for bars in score.chart.passes():
        found = [under(score, span) for bar in bars for span in bar.spans]
        assert all([n.mark.strip("b#") for n in notes[:4]] == order for notes in found)
        moves += [abs(b[0].pitch.midi - a[-1].pitch.midi) for a, b in pairwise(found)]
    assert max(moves) <= 7 and sum(move <= 2 for move in moves) >= 0.9 * len(moves)


@pytest.mark.parametrize(
    "line",
    [
        {"kind": "arpeggio"},
        {"kind": "arpeggio", "direction": "down"},
        {"kind": "arpeggio", "order": "3-5-7-9"},
    ],
    ids=str,
)
def test_an_order_that_fills_its_chord_is_displaced_from_its_second_note(
    line: dict[str, object],
) -> None:
    """Four quarters over a bar have no other notes: in twelve keys the order is whole, no change is
    wider than a fifth and no key begins more than an octave away; what turns inside a chord does so
    after its first note, by a sixth at most (octave displacement, common practice)."""
    score = written(progression="ii7 | V7 | Imaj7 | vi7 | iim7b5 | V7b9 | Imaj7 | VI7b9",
                    key_cycle=TWELVE, line=line)  # fmt: skip
    last: int | None = None
    for bars in score.chart.passes():
        found = [under(score, span) for bar in bars for span in bar.spans]
        moves = [abs(b[0].pitch.midi - a[-1].pitch.midi) for a, b in pairwise(found)]
        assert max(moves) <= 7
        orders = {tuple(int(note.mark.strip("b#")) % 7 for note in notes) for notes in found}
        assert len(orders) == 1
        for notes in found:
            first, *later = [abs(b.pitch.midi - a.pitch.midi) for a, b in pairwise(notes)]
            assert first <= 9 and max(later) <= 5
        assert last is None or abs(found[0][0].pitch.midi - last) <= 12
        last = found[-1][-1].pitch.midi


@pytest.mark.parametrize("direction", ["up", "down"])
@pytest.mark.parametrize("progression", [
    "ii7 | V7 | Imaj7 | vi7 | iim7b5 | V7b9 | Imaj7 | VI7b9",
    "I7 | IV7 | I7 | % | IV7 | % | I7 | VI7b9 | ii7 | V7 | I7 | V7",
])  # fmt: skip
def test_an_order_of_a_scale_goes_back_where_it_cannot_go_on(
    direction: str, progression: str
) -> None:
    """1 2 3 5 or 5 3 2 1, or the one's first note and the other's rest (common practice), in twelve
    keys on a bass: each chord has one of them in one octave, the first and many as it is written;
    nine changes in ten are steps or the same note; no chord begins more than a fifth away, or an
    octave where it is the same again, and no key more than an octave."""
    score = written(progression=progression, key_cycle=TWELVE,
                    line={"kind": "scale pattern", "direction": direction})  # fmt: skip
    written_so = "1235" if direction == "up" else "5321"
    orders, steps = Counter[str](), list[bool]()
    last: int | None = None
    for bars in score.chart.passes():
        inside = [span for bar in bars for span in bar.spans]
        found = [under(score, span) for span in inside]
        moves = [abs(b[0].pitch.midi - a[-1].pitch.midi)
                 for (a, b), (one, other) in zip(pairwise(found), pairwise(inside), strict=True)
                 if one.chord != other.chord]  # fmt: skip
        assert max(moves) <= 7
        assert all(abs(b[0].pitch.midi - a[-1].pitch.midi) <= 12 for a, b in pairwise(found))
        steps += [move <= 2 for move in moves]
        said = ["".join(note.mark.strip("b#") for note in notes) for notes in found]
        orders.update(said)
        assert said[0] == written_so
        assert all(abs(notes[-1].pitch.midi - notes[0].pitch.midi) <= 7 for notes in found)
        assert last is None or abs(found[0][0].pitch.midi - last) <= 12
        last = found[-1][-1].pitch.midi
    assert set(orders) <= {"1235", "5321", "5123", "1532"}
    assert orders[written_so] >= orders.total() / 4 and sum(steps) >= 0.9 * len(steps)


def test_chords_that_take_turns_keep_them() -> None:
    """Alternating, the first chord has 1 2 3 5, the next one 5 3 2 1, and so on."""
    score = written(progression="ii7 | V7 | Imaj7 | VI7", key_cycle=TWELVE,
                    line={"kind": "scale pattern", "direction": "alternating"})  # fmt: skip
    for bars in score.chart.passes():
        found = [under(score, span) for bar in bars for span in bar.spans]
        orders = ["".join(note.mark.strip("b#") for note in notes) for notes in found]
        assert orders == ["1235", "5321"] * 2


@pytest.mark.parametrize("line", [
    {"kind": "scale pattern", "pattern": "thirds", "note": "eighth"},
    {"kind": "arpeggio", "note": "eighth"},
], ids=str)  # fmt: skip
def test_taking_turns_a_call_over_the_same_chords_begins_the_other_way(line: Any) -> None:
    """Four bars of a chord in calls of two: up and down, then down and up (common practice: a
    pattern is worked at from either end); over another chord it begins rising again."""
    score = written(progression="i7 | % | % | % | bii7 | % | % | %", key="D minor",
                    key_cycle=["D minor", "Bb minor", "F# minor"], passes=1, gaps=2,
                    line={**line, "direction": "alternating"})  # fmt: skip
    rises = [
        notes[0].pitch.midi < notes[1].pitch.midi
        for bar in score.chart.bars
        if bar.role == "call" and (notes := under(score, bar.spans[0]))
    ]
    assert rises == [True, False, False, True] * 6


def test_connected_calls_over_the_same_chord_begin_on_other_tones() -> None:
    """Four calls over a chord begin on the tones of the order one after another, as teachers have
    inversions practised (common practice); over another chord the order begins as written again."""
    score = written(progression="i7 | % | % | % | biii7 | % | % | %", key="D minor",
                    key_cycle=["D minor", "G minor"], gaps=1,
                    line={"kind": "arpeggio", "order": "3579", "connect": True})  # fmt: skip
    first = [
        notes[0].mark
        for bar in score.chart.bars
        if bar.role == "call" and (notes := under(score, bar.spans[0]))
    ]
    assert first == ["b3", "5", "b7", "9"] * 4


def test_octaves_are_chosen_by_looking_ahead() -> None:
    """1 2 3 5 of Cmaj7 before Ebmaj7: from below, so that G2 goes to Eb2 and not G3 down a tenth
    (hand-worked)."""
    score = written(progression="Cmaj7 | Ebmaj7 | Abmaj7", line="scale pattern")
    assert max(changes(score)) <= 7


def test_both_guide_tones_move_least() -> None:
    """F7 to Bb7 on a bass: A Eb to Ab D, each a semitone (hand-worked); never a fourth at once."""
    options = {"kind": "guide tones", "voices": "both"}
    score = written(progression="F7 | Bb7", key="F", key_cycle="F", line=options)
    assert pitches(score) == "A2 Eb3 Ab2 D3"
    blues = written(progression="I7 | IV7 | I7 | I7 | IV7 | IV7 | I7 | VI7 | ii7 | V7 | I7 | V7",
                    key_cycle=TWELVE, line=options)  # fmt: skip
    for first in (0, 1):
        voice = line(blues)[first::2]
        together = pairwise(voice)
        starts = {bars[0].start for bars in blues.chart.passes()}
        moves = [abs(b.pitch.midi - a.pitch.midi) for a, b in together if b.start not in starts]
        assert max(moves) <= 4


def test_triads_stay_on_their_thirds_and_sus_chords_on_seventh_or_fourth() -> None:
    """C F Gsus4 C: E, A, then F, which a 7sus has for its seventh, or C, its fourth, then E
    (hand-worked)."""
    score = written(progression="C | F | Gsus4 | C", line="guide tones")
    assert names(score).split()[:2] == ["E", "A"]
    assert names(score).split()[2] in ("C", "F") and names(score).split()[3] == "E"


@pytest.mark.parametrize("bass", ["off", "roots"])
def test_guide_tones_keep_up_without_a_bass(bass: str) -> None:
    """No lower than Eb2 in any key, whether or not the band has a bass."""
    score = written(key_cycle=TWELVE, band={"bass": bass}, line="guide tones")
    assert min(note.pitch.midi for note in line(score)) >= 39
