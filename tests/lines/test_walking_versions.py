"""Walking lines, bare and full."""

from __future__ import annotations

from itertools import groupby, pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from music21 import scale
from quicktions import Fraction

from drillgen.chart import Span
from drillgen.score import Note, Score
from tests.lines.writing import keys, line, progressions, spans, under, written

BLUES = "I7 | IV7 | I7 | % | IV7 | % | I7 | VI7 | ii7 | V7 | I7 | V7"


def passes(score: Score) -> list[list[Note]]:
    """The line's notes of each pass, their places counted from the pass's start."""
    found = []
    for bars in score.chart.passes():
        start, end = bars[0].start, bars[-1].end
        found.append([note for note in line(score) if start <= note.start < end])
    return found


def places(notes: list[Note], start: object) -> set[tuple[object, int]]:
    return {(note.start - start, note.pitch.midi) for note in notes}  # type: ignore[operator]


@pytest.mark.parametrize("seed", range(20))
def test_the_student_hears_one_inside_the_other(seed: int) -> None:
    """Alternating: each odd pass is the even pass's own line with notes left out, in both keys;
    a third and fourth pass share another line."""
    score = written(progression=BLUES, key_cycle=["F", "Bb"], passes=4, seed=seed,
                    line={"kind": "walking", "version": "alternating"})  # fmt: skip
    starts = [bars[0].start for bars in score.chart.passes()]
    sets = [places(notes, start) for notes, start in zip(passes(score), starts, strict=True)]
    for bare, full in zip(sets[::2], sets[1::2], strict=True):
        assert bare < full
        assert len(full) == 48
    assert sets[1] != sets[3]


@given(
    progressions,
    keys,
    st.integers(0, 10_000),
    st.sampled_from(["root", "chord tone"]),
    st.booleans(),
)
def test_the_bare_line_is_roots_and_guide_tones(
    bars: tuple[str, str], key_cycle: list[str], seed: int, beat_one: str, two_beat: bool
) -> None:
    """For any chords: the bare version keeps exactly the full one's roots (or slash basses) and
    guide tones, each held until the next; where the chord begins on its root, no gap is left."""
    assume(len({key.endswith("minor") for key in key_cycle}) == 1)
    meter, progression = bars
    options = {"kind": "walking", "beat_one": beat_one, "two_beat": two_beat}
    common = {"progression": progression, "key": key_cycle[0], "key_cycle": key_cycle,
              "meter": meter, "seed": seed}  # fmt: skip
    full = written(**common, line=options)
    bare = written(**common, line={**options, "version": "bare"})
    for span in spans(full):
        chord = span.chord
        assert chord
        names = {chord.root, chord.bass_name, *map(chord.root.above, chord.guide_tones)}
        kept = {name.pitch_class for name in names}
        expected = [n for n in under(full, span) if n.pitch.midi % 12 in kept]
        found = under(bare, span)
        assert [(n.start, n.pitch.midi) for n in found] == [
            (n.start, n.pitch.midi) for n in expected
        ]
    notes = line(bare)
    if beat_one == "root":
        for _, pass_bars in groupby(
            (bar for bar in bare.chart.bars if bar.form_bar >= 0), lambda bar: bar.pass_number
        ):
            whole = list(pass_bars)
            inside = [n for n in notes if whole[0].start <= n.start < whole[-1].end]
            ends = [n.start + n.duration for n in inside]
            assert ends == [*(n.start for n in inside[1:]), whole[-1].end]


def test_nothing_is_held_into_a_bar_without_chord() -> None:
    """A bare line stops where N.C. begins."""
    score = written(progression="Cmaj7 | N.C. | Dm7", line={"kind": "walking", "version": "bare"})
    first, silent, _ = spans(score)
    assert not under(score, silent)
    assert all(note.start + note.duration <= first.end for note in under(score, first))


@pytest.mark.parametrize(("number", "bare"), [(1, [True]), (3, [True, False, True])])
def test_a_pass_without_its_partner_is_bare(number: int, bare: list[bool]) -> None:
    """As docs/lines.md says of an odd number of passes: the last one has fewer notes than beats."""
    score = written(progression=BLUES, passes=number,
                    line={"kind": "walking", "version": "alternating"})  # fmt: skip
    assert [len(notes) < 48 for notes in passes(score)] == bare


def firsts(score: Score) -> list[tuple[Span, Note]]:
    return [(span, under(score, span)[0]) for span in spans(score)]


def test_a_chord_that_stays_is_not_begun_anew() -> None:
    """Over eight bars of one chord at most three in ten of the later downbeats are its root, and
    the bars have other tones of it there, not one only (common practice)."""
    later: list[int] = []
    for seed in range(1, 9):
        score = written(progression="Dm7 | % | % | % | % | % | % | %", seed=seed, line="walking")
        later += [(note.pitch.midi - 2) % 12 for _, note in firsts(score)[1:]]
    assert later.count(0) <= 0.3 * len(later)
    assert len(set(later)) >= 4 and set(later) <= {0, 2, 3, 7, 10}


def test_in_two_the_fifth_answers_the_root() -> None:
    """In 4/4 beat 3 has the chord's own fifth (a flat one over a half-diminished chord) after most
    roots, else 3, 6 or 8; what leads on is an eighth on 4& (common practice)."""
    fifths = total = 0
    for seed in range(1, 9):
        score = written(progression="Imaj7 | vi7 | iim7b5 | V7", key_cycle=["C", "F"], seed=seed,
                        line={"kind": "walking", "two_beat": True})  # fmt: skip
        for span in spans(score):
            _, second, *more = under(score, span)
            assert span.chord and second.start == span.start + 2
            over = (second.pitch.midi - span.chord.root.pitch_class) % 12
            fifth = span.chord.fifth.semitones
            assert over in {0, 3, 4, 9, fifth}
            fifths, total = fifths + (over == fifth), total + 1
            assert [note.start - span.start for note in more] in ([], [Fraction(7, 2)])
    assert 0.6 <= fifths / total <= 0.85


@pytest.mark.parametrize("progression", [BLUES, "Dm7 | % | % | % | Ebm7 | % | % | %"])
def test_in_two_every_bar_is_told_by_its_root(progression: str) -> None:
    """Two notes without the root are heard as another chord: where one chord fills the bar it is on
    1 or, below or above the 5 or 3 of a chord that stays, on 3 (common practice)."""
    for seed in range(1, 5):
        score = written(progression=progression, key="C", key_cycle=["C", "Eb"], seed=seed,
                        passes=2, line={"kind": "walking", "two_beat": True})  # fmt: skip
        for span in spans(score):
            first, second, *_ = under(score, span)
            assert span.chord
            root = span.chord.root.pitch_class
            assert root in {first.pitch.midi % 12, second.pitch.midi % 12}
            over = (first.pitch.midi - root) % 12
            assert over in {0, 3, 4, span.chord.fifth.semitones}


def test_in_two_an_eighth_leads_somewhere() -> None:
    """What leads on by an eighth goes by step into another note than beat 3 had, and is come to by
    step where it is foreign to the chord's scale, by a leap only where it belongs (common practice;
    music21 names the scales of a two-five)."""
    own = {pitch.pitchClass for pitch in scale.MajorScale("C").pitches}
    led = 0
    for seed in range(1, 13):
        score = written(progression="ii7 | V7 | Imaj7 | vi7", seed=seed, passes=3,
                        line={"kind": "walking", "two_beat": True})  # fmt: skip
        notes = [note.pitch.midi for note in line(score)]
        eighths = [i for i, note in enumerate(line(score)) if note.duration == Fraction(1, 2)]
        for index in eighths:
            if index + 1 < len(notes):
                before, leads, into = notes[index - 1 : index + 2]
                assert 1 <= abs(into - leads) <= 2 and before != into
                assert abs(leads - before) <= 2 or leads % 12 in own
                led += 1
    assert led >= 12


def test_other_tones_on_one_are_an_exception() -> None:
    """`beat_one: chord tone` stands on the root at four changes of five at least, and never on
    another tone twice running; but it does so now and then."""
    others: list[bool] = []
    for seed in range(1, 6):
        score = written(progression="Imaj7 | vi7 | ii7 | V7 | iii7 | VI7 | ii7 | V7", seed=seed,
                        passes=2, line={"kind": "walking", "beat_one": "chord tone"})  # fmt: skip
        others += [
            span.chord is not None and note.pitch.name != span.chord.root
            for span, note in firsts(score)
        ]
    assert 0 < sum(others) <= 0.2 * len(others)
    assert not any(one and two for one, two in pairwise(others))


@pytest.mark.parametrize("two_beat", [False, True])
def test_it_closes_low_and_by_a_lead(two_beat: bool) -> None:
    """The last note of all is the root at or below C3, come to from the 5, the 2 or a semitone
    (common practice)."""
    for seed in range(1, 9):
        score = written(progression="Imaj7 | vi7 | ii7 | V7", key_cycle=["Bb", "E"], seed=seed,
                        line={"kind": "walking", "two_beat": two_beat})  # fmt: skip
        part = score.part("line")
        assert part
        before, final = (note.pitch.midi for note in part.notes[-2:])
        assert final <= 48 and final % 12 == 4
        assert before - final in {7, -5, 2, 1, -1}
