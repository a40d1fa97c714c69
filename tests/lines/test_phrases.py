"""Phrases for call and response: the named notes and no others, said as a player would.

What a good phrase is (a motive that returns, a long last note, one silence a bar at most, one
highest note) is common practice.
"""

from __future__ import annotations

from collections import Counter
from itertools import groupby, pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from quicktions import Fraction

from drillgen.drill.messages import DrillError
from drillgen.score import Note, Score
from drillgen.theory.pitch import Degree
from tests.examples import examples
from tests.lines.melodies import BLUES, TWELVE, bar_of, notes_of, one_at_a_time, score_of

SET = ["1", "b3", "4", "5", "b7"]


def phrases(**drill: object) -> Score:
    own = ("notes", "grow", "length", "density", "rests", "register", "cells", "ends", "repeat",
           "range", "begin_at")  # fmt: skip
    line = {"kind": "phrases", **{key: drill.pop(key) for key in own if key in drill}}
    return score_of(**{"progression": "I7 | IV7", "gaps": 2, **drill, "line": line})


def calls(score: Score) -> list[tuple[Fraction, Fraction, list[Note]]]:
    """Start and end of each call, and its notes."""
    found, line = [], notes_of(score)
    for role, run in groupby(score.chart.bars, key=lambda bar: (bar.role, bar.pass_number)):
        bars = list(run)
        if role[0] == "call":
            start, end = bars[0].start, bars[-1].end
            notes = [note for note in line if start <= note.start < end]
            found.append((start, end, notes))
    return found


def shape(start: Fraction, notes: list[Note]) -> tuple[tuple[Fraction, Fraction, str], ...]:
    """A phrase seen from its call and its tonic."""
    return tuple((note.start - start, note.duration, note.mark) for note in notes)


METERS = st.sampled_from(["4/4", "3/4", "5/4", "2/4"])


@examples(12)
@given(
    st.integers(0, 2**20),
    METERS,
    st.sampled_from([SET, ["1", "2", "3", "5", "6"], ["5,", "1", "b3"], ["1", "4"]]),
    st.floats(0, 1),
    st.floats(0, 1),
    st.sampled_from([1, 2, {"call": 2, "harmony": "continues"}]),
)
def test_only_the_named_notes_sound_and_only_in_calls(
    seed: int, meter: str, notes: list[str], density: float, rests: float, gaps: object
) -> None:
    """Each note is one of the set over the tonic of its key, always in the same octave in that key;
    one at a time, inside its call, ended a beat before the answer where the call has three."""
    score = phrases(seed=seed, meter=meter, notes=notes, density=density, rests=rests, gaps=gaps,
                    passes=2, progression="I7 | IV7 | I7 | V7",
                    key_cycle=["C", "Gb", "E", "A"])  # fmt: skip
    assert one_at_a_time(notes_of(score))
    by_key: dict[str, set[str]] = {}
    for note in notes_of(score):
        key = bar_of(score, note).key
        allowed = {key.tonic.above(Degree.parse(text.rstrip(",'"))) for text in notes}
        assert note.pitch.name in allowed
        by_key.setdefault(key.short, set()).add(str(note.pitch))
    assert all(len(found) <= len(notes) for found in by_key.values())
    for start, end, found in calls(score):
        assert found and all(start <= note.start for note in found)
        last = found[-1].start + found[-1].duration
        assert last <= end - (1 if end - start >= 3 else 0)


@examples(3)
@given(st.integers(0, 2**20), st.sampled_from([1, 2]), st.sampled_from([2, 4]))
@example(7650, 2, 2)
def test_no_phrase_comes_twice(seed: int, passes: int, call: int) -> None:
    """Through twelve keys and all passes, seen from the tonic, in calls of two bars or more."""
    score = phrases(seed=seed, passes=passes, gaps=call, progression=BLUES, key_cycle=TWELVE)
    said = [shape(start, notes) for start, _, notes in calls(score)]
    assert len(said) == 12 * passes * 12 // call
    assert len(set(said)) == len(said)


def opening(start: Fraction, notes: list[Note]) -> list[tuple[Fraction, str]]:
    """Places and degrees of a phrase's first bar of four."""
    return [(note.start - start, note.mark) for note in notes if note.start < start + 4]


@examples(6)
@given(
    st.integers(0, 2**20),
    st.sampled_from([(None, 1), (None, 2), (None, 4), (["r:e e q", "e q e"], 2), (["q q q q"], 4)]),
)
def test_no_motive_comes_again_within_four_calls(seed: int, asked: tuple[object, int]) -> None:
    """Even from two notes no call begins like one of the four before it; over three calls of a
    blues the second line keeps the first one's rhythm."""
    cells, call = asked
    options = {} if cells is None else {"cells": cells}
    score = phrases(notes=["1", "5"], gaps=call, progression=BLUES, seed=seed,
                    key_cycle=TWELVE[:6], **options)  # fmt: skip
    said = [opening(start, notes) for start, _, notes in calls(score)]
    assert all(each not in said[max(turn - 4, 0) : turn] for turn, each in enumerate(said))
    lines = [[place for place, _ in each] for each in said]
    assert (
        sum(one == two for one, two in zip(lines[::3], lines[1::3], strict=True)) > len(lines) / 4
    )


def test_asked_for_the_same_phrases_come_in_every_key() -> None:
    """`repeat` makes every pass the same exercise."""
    score = phrases(repeat=True, grow=False, progression=BLUES, key_cycle=TWELVE, gaps=4)
    said = [shape(start, notes) for start, _, notes in calls(score)]
    assert [said[turn : turn + 3] for turn in range(0, 36, 3)] == [said[:3]] * 12
    assert len(set(said[:3])) == 3


def test_the_same_seed_says_the_same_and_another_something_else() -> None:
    """Every random choice follows from the seed."""
    first, again, other = (notes_of(phrases(seed=seed)) for seed in (3, 3, 4))
    assert first == again != other


@pytest.mark.parametrize(
    ("grow", "stages"),
    [("yes", [2, 3, 4, 5]), ([2, 5], [2, 5]), ("no", [5]), ([3], [3]), (None, [2, 3, 4, 5])],
)
def test_the_set_grows_through_the_track(grow: object, stages: list[int]) -> None:
    """From the first two notes as named to more, an equal share of the twelve passes each."""
    options = {} if grow is None else {"grow": grow}
    score = phrases(notes=["5", "1", "b7", "b3", "4"], progression=BLUES, density=1, rests=0,
                    gaps=4, **options)  # fmt: skip
    share = 12 // len(stages)
    for stage, count in enumerate(stages):
        used = {
            note.mark
            for note in notes_of(score)
            if stage * share < bar_of(score, note).pass_number <= (stage + 1) * share
        }
        assert used == set(["5", "1", "b7", "b3", "4"][:count])


def test_in_a_single_pass_the_set_grows_with_the_calls() -> None:
    """Where passes are fewer than stages: the first call has the first two notes only, the last one
    may use all of them."""
    score = phrases(key_cycle="C", progression=BLUES, gaps=2, density=1, rests=0)
    used = [{note.mark for note in notes} for _, _, notes in calls(score)]
    assert used[0] == set(SET[:2])
    assert len(used[0]) < len(used[-1]) and set().union(*used) == set(SET)


@examples(5)
@given(st.integers(0, 2**20))
def test_mostly_steps_within_the_set(seed: int) -> None:
    """More than half of all moves go to the neighbouring note of the set or stay (common practice:
    a melody moves mostly by step)."""
    score = phrases(seed=seed, grow=False, progression=BLUES, gaps=4, key_cycle=TWELVE[:4])
    order = {mark: place for place, mark in enumerate(SET)}
    moves = [
        abs(order[a.mark] - order[b.mark])
        for _, _, notes in calls(score)
        for a, b in pairwise(notes)
    ]
    assert sum(move <= 1 for move in moves) > len(moves) / 2


@pytest.mark.parametrize("ends", ["home", "open"])
def test_endings(ends: str) -> None:
    """At home a phrase ends on a tone of the chord (over I7: 1, 5 or b7 of this set, since b3 and 4
    are none); left open it ends on anything but the tonic and its third."""
    score = phrases(ends=ends, grow=False, progression="I7 | %", passes=4)
    last = {notes[-1].mark for _, _, notes in calls(score)}
    assert last <= ({"1", "5", "b7"} if ends == "home" else {"4", "5", "b7"})
    assert len(last) > 1


def test_registers_lie_above_each_other() -> None:
    """In three octaves a high phrase lies an octave over the same one low, a middle one on either
    of them."""
    low, middle, high = (
        [n.pitch.midi for n in notes_of(phrases(register=r, range="E1 to E4", key_cycle="C"))]
        for r in ("low", "middle", "high")
    )
    assert [above - below for above, below in zip(high, low, strict=True)] == [12] * len(low)
    assert middle in (low, high)


@examples(5)
@given(st.integers(0, 2**20))
def test_the_cells_are_the_ones_named(seed: int) -> None:
    """An eighth rest, an eighth and a quarter, on the first beat or the third, and nothing else: in
    every bar notes begin on the second half of 1, on 2, on the second half of 3, or on 4."""
    score = phrases(cells=["r:e e q"], rests=0, progression=BLUES, seed=seed, key_cycle="C, F, Bb")
    places = {note.start % 4 for note in notes_of(score)}
    assert places <= {Fraction(1, 2), 1, Fraction(5, 2), 3}
    assert len(places) > 2


COMPOUND = {"6/8": "slow 12/8", "12/8": "slow 12/8"}


@examples(10)
@given(st.integers(0, 2**20), st.sampled_from(sorted(COMPOUND)), st.integers(1, 4))
def test_the_compound_beat_has_its_own_cells(seed: int, meter: str, call: int) -> None:
    """In 6/8 and 12/8 (the beat a dotted quarter, common practice) every note begins on an eighth,
    and the last one lasts a beat."""
    score = phrases(meter=meter, gaps=call, seed=seed, progression="I7 | IV7 | I7 | V7",
                    feel=COMPOUND[meter], key_cycle=TWELVE[:4])  # fmt: skip
    assert one_at_a_time(notes_of(score))
    assert all(note.start % Fraction(1, 2) == 0 for note in notes_of(score))
    assert all(notes[-1].duration >= Fraction(3, 2) for _, _, notes in calls(score))


CALLS = st.sampled_from([1, 2, 3, 4, 6, 8])


@examples(12)
@given(st.integers(0, 2**20), CALLS, st.floats(0, 1), st.floats(0, 1), st.booleans())
def test_a_phrase_ends_on_a_long_note(
    seed: int, call: int, density: float, rests: float, grow: bool
) -> None:
    """In 4/4 the last note lasts a beat or more and begins on 1 or 3, or half a beat before one of
    them and is held over it; no note stands alone, a beat and a half from both its neighbours; and
    no bar has two silences."""
    score = phrases(progression=BLUES, gaps=call, seed=seed, density=density, rests=rests,
                    grow=grow, key_cycle=TWELVE[:4])  # fmt: skip
    for start, _, notes in calls(score):
        last = notes[-1]
        assert last.duration >= 1
        assert (last.start - start) % 2 in (0, Fraction(3, 2))
        silences = [after.start - one.start - one.duration for one, after in pairwise(notes)]
        far = Fraction(3, 2)
        assert all(min(pair) < far for pair in pairwise([far, *silences, far]))
        bars = [(one.start + one.duration - start) // 4
                for one, silence in zip(notes, silences, strict=False) if silence]  # fmt: skip
        assert len(set(bars)) == len(bars)


def test_a_motive_comes_back() -> None:
    """In at least four two-bar phrases of five, the second half bar or the second bar begins with
    the first one's rhythm (all of it but two notes), or has no other rhythm than the first."""
    found = [
        comes_back([note.start - start for note in notes])
        for seed in range(4)
        for start, _, notes in calls(phrases(progression=BLUES, seed=seed, grow=False))
    ]
    assert sum(found) >= 0.8 * len(found) and len(found) > 200


def comes_back(places: list[Fraction]) -> bool:
    for size in (2, 4):
        first = [place for place in places if place < size]
        second = [place - size for place in places if size <= place < 2 * size]
        kept = first[: max(len(first) - 2, 2)]
        among = set(second) <= set(first) and 3 * len(second) >= 2 * len(first)
        if min(len(first), len(second)) >= 2 and (second[: len(kept)] == kept or among):
            return True
    return False


def test_long_phrases_leave_their_motive_and_come_back() -> None:
    """Statement, restatement, departure, conclusion (common practice): of eight bars the fifth
    begins elsewhere than the first, the seventh where the first does, and none but five at most
    have one rhythm."""
    for seed in range(4):
        score = phrases(progression="I7 | IV7 | I7 | % | IV7 | % | I7 | V7", gaps=8, seed=seed,
                        key_cycle=TWELVE[:3], grow=False)  # fmt: skip
        for start, _, notes in calls(score):
            places = [note.start - start for note in notes]
            bars = [tuple(p % 4 for p in places if p // 4 == bar) for bar in range(8)]
            assert bars[4][:1] != bars[0][:1] and bars[6][:1] == bars[0][:1]
            assert max(Counter(bar for bar in bars if bar).values()) <= 5


def test_eight_bars_breathe_and_hold_no_avoid_note() -> None:
    """No more than five bars without a silence of an eighth, and of notes a beat long at most one
    in fifty a semitone over a tone of its chord (Nettles and Graf, The Chord Scale Theory and Jazz
    Harmony: avoid notes; breath is common practice)."""
    held = []
    for seed in range(3):
        score = phrases(progression="Imaj7 | vi7 | ii7 | V7 | Imaj7 | IVmaj7 | ii7 V7 | Imaj7",
                        notes=["1", "2", "3", "5", "6"], grow=False, gaps=8, seed=seed,
                        key_cycle=["F", "Db", "E"], density=0.6)  # fmt: skip
        for start, end, notes in calls(score):
            silent = [b.start for a, b in pairwise(notes) if b.start > a.start + a.duration]
            assert max(b - a for a, b in pairwise([start, *silent, end])) <= 5 * 4
            held += [_is_avoided(score, note) for note in notes if note.duration >= 1]
    assert sum(held) <= len(held) / 50


def _is_avoided(score: Score, note: Note) -> bool:
    """Whether it lies a semitone over a tone of the chord that most of it sounds over."""
    middle = note.start + note.duration / 2
    span = score.chart.bar_at(middle).span_at(middle)
    tones = {name.pitch_class for name in span.chord.names} if span and span.chord else set[int]()
    place = note.pitch.midi % 12
    return place not in tones and (place - 1) % 12 in tones


def test_some_notes_are_tied_over_a_bar_line() -> None:
    """In one two-bar phrase of five at least, and in two at most."""
    tied = [
        any((note.start - start) % 4 + note.duration > 4 for note in notes)
        for seed in range(4)
        for start, _, notes in calls(phrases(progression=BLUES, seed=seed, grow=False))
    ]
    assert 0.2 <= sum(tied) / len(tied) <= 0.4


def test_most_phrases_have_one_highest_note() -> None:
    """From five notes: in four phrases of five the highest is sung once."""
    found = []
    for seed in range(4):
        for _, _, notes in calls(phrases(progression=BLUES, seed=seed, grow=False)):
            keys = [note.pitch.midi for note in notes]
            found.append(keys.count(max(keys)) == 1)
    assert sum(found) >= 0.8 * len(found)


@pytest.mark.parametrize("notes", [["1", "b3"], ["1", "5"]], ids=str)
def test_from_two_notes_an_answer_ends_elsewhere_than_its_question(notes: list[str]) -> None:
    """Four bars from two notes: their halves end on one of them and on the other (common practice:
    a period's antecedent and consequent differ in how they close)."""
    for seed in range(4):
        score = phrases(notes=notes, grow=False, ends="mixed", seed=seed, gaps=4, density=0.6,
                        progression="i7 | % | IV7 | %", key="D minor",
                        key_cycle=["D", "Bb"])  # fmt: skip
        for start, end, said in calls(score):
            asked = [note for note in said if note.start < (start + end) / 2]
            assert asked[-1].mark != said[-1].mark


@pytest.mark.parametrize(("length", "quarters"), [("q", 1), ("h", 2), ("h.", 3)])
@pytest.mark.parametrize("call", [1, 2, 4])
def test_the_last_note_is_as_long_as_asked(length: str, quarters: int, call: int) -> None:
    """`length` in `ends`, to the gap if need be; `note` says as before where it lies."""
    score = phrases(ends={"note": "open", "length": length}, gaps=call, progression=BLUES,
                    grow=False, key_cycle=TWELVE[:4])  # fmt: skip
    last = [notes[-1] for _, _, notes in calls(score)]
    assert {note.duration for note in last} == {quarters}
    assert {note.mark for note in last} <= {"4", "5", "b7"}


def test_denser_is_busier_and_rests_thin_it_out() -> None:
    """The number of notes follows both parameters."""

    def count(**options: object) -> int:
        return len(notes_of(phrases(progression=BLUES, key_cycle=TWELVE[:4], **options)))

    assert count(density=0) < count(density=0.5) < count(density=1)
    assert count(rests=0.8) < count(rests=0)


def onsets(score: Score) -> list[list[Fraction]]:
    """Where the notes of each bar that has some begin, in quarters from its bar line."""
    return [
        [note.start - bar.start for note in run]
        for bar, run in groupby(notes_of(score), key=lambda note: bar_of(score, note))
    ]


def test_syncopations_are_heard_against_a_beat() -> None:
    """No bar of three notes and more has all of them between the beats (common practice)."""
    for seed in (2, 9, 38):
        score = phrases(seed=seed, progression="Imaj7 | vi7 | ii7 | V7", density=0.6, grow=False,
                        notes=["1", "2", "3", "5", "6"], key_cycle=["D", "G", "B"])  # fmt: skip
        assert not [bar for bar in onsets(score) if len(bar) > 2 and all(at % 1 for at in bar)]


def test_sparse_phrases_have_few_busy_bars() -> None:
    """At a density of 0.2 four bars in a hundred at most have five notes and more."""
    found = [
        bar
        for seed in range(1, 7)
        for notes in (SET, ["1", "2", "3", "5", "6"])
        for bar in onsets(phrases(seed=seed, progression="I7 | IV7 | I7 | V7", density=0.2,
                                  notes=notes, grow=False, passes=2, key_cycle=["C", "F"]))
    ]  # fmt: skip
    assert len(found) > 100
    assert sum(len(bar) > 4 for bar in found) <= 0.04 * len(found)


def test_an_anticipated_note_is_not_struck_again() -> None:
    """What sounds an eighth before a bar line is held over it or goes on to another note; hitting
    it again takes back the anticipation (common practice)."""
    led = 0
    for seed in range(1, 7):
        score = phrases(seed=seed, density=0.7, notes=["1", "b3", "4"], grow=False, passes=2,
                        progression="i7 | % | iv7 | %", gaps=4, key="C minor",
                        key_cycle=["C minor", "A minor"])  # fmt: skip
        begins = {bar.start for bar in score.chart.bars}
        for one, other in pairwise(notes_of(score)):
            if other.start in begins and other.start - one.start <= Fraction(1, 2):
                led += 1
                assert one.pitch != other.pitch
    assert led


@pytest.mark.parametrize("call", [2, 4])
def test_rests_are_heard(call: int) -> None:
    """Between the first note and the last of a phrase, less than a beat in two bars is silent at 0;
    half a beat more at 1, and in between at 0.5."""

    def silence(rests: float) -> float:
        found = calls(phrases(progression=BLUES, gaps=call, rests=rests, key_cycle=TWELVE[:6]))
        silent = [
            b.start - a.start - a.duration for _, _, notes in found for a, b in pairwise(notes)
        ]
        return float(sum(silent)) / len(found)

    none, some, much = map(silence, (0, 0.5, 1))
    assert none < call / 2 and none < some < much
    assert much >= none + 0.5


def test_a_shorter_phrase_leaves_the_rest_of_the_call_silent() -> None:
    """`length: 1` in a call of two bars."""
    score = phrases(length=1)
    assert all(note.start + note.duration <= start + 3
               for start, _, notes in calls(score) for note in notes)  # fmt: skip


def test_the_gap_is_as_long_as_the_call() -> None:
    """Each call is followed by as many bars of response."""
    score = phrases(gaps={"call": 2}, progression=BLUES)
    runs = [(role, len(list(bars))) for role, bars in groupby(b.role for b in score.chart.bars)]
    inner = [run for run in runs if run[0] in ("call", "response")]
    assert set(inner) == {("call", 2), ("response", 2)}
    assert [role for role, _ in inner] == ["call", "response"] * (len(inner) // 2)


@pytest.mark.parametrize(
    ("drill", "message"),
    [
        ({"gaps": "off"}, "phrases need a gap"),
        ({"gaps": {"call": 4, "response": 2}}, "call and gap: 4 and 2; .*response: 4"),
        ({"gaps": 2, "length": 3}, "a phrase of 3 bars is longer than the call"),
        ({"notes": ["1", "b3", "1"]}, 'the note "1" stands here twice'),
        ({"notes": ["1"]}, "1 notes; allowed: 2 to 12"),
        ({"notes": ["1", "H"]}, '"H" is no degree'),
        ({"notes": "1 b3 9"}, '"9" is no degree.*did you mean "2\'"'),
        ({"grow": [2, 9]}, "there are only 5 notes"),
        ({"grow": [3, 2]}, "2 is no more than before"),
        ({"cells": ["q q q", "w"], "meter": "3/4"}, r"line.cells\[2\]: the rhythm is longer"),
        ({"cells": ["q x"]}, '"x" is no length'),
        ({"cells": ["r:q"]}, "has no note"),
        ({"ends": "opne"}, 'line.ends: "opne" is not known.*did you mean "open"'),
        ({"ends": {"note": "home", "lenght": "h"}}, '"lenght" is not a key.*"length"'),
        ({"ends": {"length": "2"}}, 'line.ends.length: "2" is no length'),
        ({"ends": {"length": "e"}}, "the last note is shorter than a beat of 4/4"),
        ({"ends": {"length": "w"}, "meter": "3/4"}, "the last note is longer than a bar of 3/4"),
    ],
)
def test_what_cannot_be_is_refused(drill: dict[str, object], message: str) -> None:
    """Told when the drill is read."""
    with pytest.raises(DrillError, match=message):
        phrases(**drill)
