"""Walking lines, bare and full."""

from __future__ import annotations

from itertools import groupby

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

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
