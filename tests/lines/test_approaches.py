"""A walking line does not deny the chord that still sounds."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.lesson import load
from drillgen.drill.reader import Override
from drillgen.score import Note, Part, Score
from drillgen.theory.chords import Chord
from tests.lines.writing import TWELVE, WITHOUT_OTHERS, progressions, written

# Semitones over the root: what each third and seventh is contradicted by (common practice).
CONTRADICTED = {3: 4, 4: 3, 10: 11}


def denials(score: Score, part: Part | None) -> Iterator[tuple[Chord, Note]]:
    """The last notes before a change that contradict the chord they stand in."""
    assert part is not None
    spans = {
        span: bar.pass_number
        for bar in score.chart.bars
        for span in (bar.spans if bar.form_bar >= 0 else ())
    }
    for (span, number), (after, later) in pairwise(spans.items()):
        if span.chord is None or after.chord in (None, span.chord) or number != later:
            continue
        note = [n for n in part.notes if span.start <= n.start < span.end][-1]
        root = span.chord.root.pitch_class
        tones = {(name.pitch_class - root) % 12 for name in span.chord.names}
        wrong = {other for own, other in CONTRADICTED.items() if own in tones} - tones
        if (note.pitch.midi - root) % 12 in wrong:
            yield span.chord, note


@pytest.mark.parametrize("approach", ["mixed", "chromatic", "dominant"])
def test_the_blues_is_walked_with_its_own_thirds(approach: str) -> None:
    """In all twelve keys of the preset: over the two-fives in one bar (F#m7 B7) there is never an
    A# or an E# that the chords' A and E would contradict."""
    overrides = [Override("key_cycle", "fourths", ""), Override("line.approach", approach, "")]
    for chart in charts(load("blues-walking", [*WITHOUT_OTHERS, *overrides]).drills[0])[:1]:
        score = arrange(chart)
        assert not list(denials(score, score.part("line")))


def test_short_chords_are_not_walked_in_one_figure() -> None:
    """The second note over a ii7 of two beats is the third in some choruses and another tone of
    the chord or an approach in others."""
    score = written(progression="ii7 V7 | Imaj7", key_cycle=TWELVE, passes=2, line="walking")
    part = score.part("line")
    assert part
    seconds = set()
    for bar in score.chart.bars:
        if bar.form_bar == 0:
            chord, notes = bar.spans[0].chord, [n for n in part.notes if n.start == bar.start + 1]
            assert chord
            seconds |= {(note.pitch.midi - chord.root.pitch_class) % 12 for note in notes}
    assert 3 in seconds and len(seconds) > 1 and 4 not in seconds


@settings(deadline=None)
@given(progressions, st.sampled_from(["line", "bass"]), st.integers(0, 1000))
def test_no_chord_is_contradicted(bars: tuple[str, str], part: str, seed: int) -> None:
    """Over any chords, in the line and in the band's bass."""
    meter, progression = bars
    feel = "five-four swing" if meter == "5/4" else "swing"
    score = written(progression=progression, key="C", key_cycle=["C", "Gb"], meter=meter, seed=seed,
                    feel=feel, line="walking" if part == "line" else "off",
                    band={"bass": "walking" if part == "bass" else "off"})  # fmt: skip
    assert not list(denials(score, score.part("line" if part == "line" else "bass")))


# … and, in a line that is walked as a study, other sevenths, a plain fifth over a flat one, and a
# flat ninth over what is no dominant chord (common practice).
ALSO = {**CONTRADICTED, 11: 10, 9: 10, 6: 7}


@pytest.mark.parametrize("approach", ["mixed", "chromatic", "dominant"])
def test_a_study_contradicts_no_chord_on_any_beat(approach: str) -> None:
    """In no bar of a blues, a minor form and a turnaround through twelve keys."""
    forms = [
        ("C", "I7 | IV7 | I7 VI7b9 | ii7 V7alt"),
        ("C minor", "i6 | iiø7 V7b9 | bVImaj7 | V7alt"),
    ]
    for key, form in forms:
        cycle = TWELVE if key == "C" else ["C minor", "F minor", "Bb minor"]
        score = written(progression=form, key=key, key_cycle=cycle, passes=2, band={"bass": "off"},
                        line={"kind": "walking", "approach": approach})  # fmt: skip
        part = score.part("line")
        assert part
        for bar in (bar for bar in score.chart.bars if bar.form_bar >= 0):
            for span in bar.spans:
                assert span.chord
                root = span.chord.root.pitch_class
                tones = {(name.pitch_class - root) % 12 for name in span.chord.names}
                wrong = {other for own, other in ALSO.items() if own in tones} - tones
                wrong |= set() if {4, 10} <= tones else {1} - tones
                inside = [n for n in part.notes if span.start <= n.start < span.end]
                assert not wrong & {(n.pitch.midi - root) % 12 for n in inside}, span.chord
