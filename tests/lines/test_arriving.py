"""A line comes to rest before a gap and on the last chord (common practice)."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from drillgen.drill.lines import MODELS
from drillgen.score import Note, Score
from drillgen.theory.chords import Chord
from tests.lines import writing
from tests.lines.writing import TWELVE

RUNNING: list[Any] = [
    "walking",
    "arpeggio",
    {"kind": "arpeggio", "note": "eighth", "connect": True},
    "scale pattern",
    {"kind": "scale pattern", "pattern": "scale", "note": "eighth", "connect": True},
    {"kind": "enclosure", "fill": "chord tones"},
    {"kind": "scale pattern", "note": "triplet"},
]
OWN_NOTES = {"riff": "1:q b3 4 5", "written": "1:q 2 3 5"}
EVERY: list[Any] = [
    *RUNNING,
    *(kind for kind in MODELS if kind not in (*RUNNING, *OWN_NOTES)),
    {"kind": "guide tones", "voices": "both"},
    *({"kind": kind, "notes": notes} for kind, notes in OWN_NOTES.items()),
]


def written(**drill: Any) -> Score:
    plain = {"progression": "ii7 | V7 | Imaj7 | VI7", "key_cycle": TWELVE, "gaps": 2}
    return writing.written(**{**plain, **drill})


def line(score: Score) -> tuple[Note, ...]:
    part = score.part("line")
    assert part is not None
    return part.notes


def triad(chord: Chord | None) -> set[int]:
    """Pitch classes of 1, 3 and 5."""
    assert chord is not None
    return {name.pitch_class for name in chord.names[:3]}


# Over six bars calls and responses trade through the form, so that one pass in two ends in a call.
TRADED: dict[str, Any] = {
    "repeats": {},
    "continues": {"progression": "ii7 | V7 | Imaj7 | VI7 | ii7 | V7", "passes": 2},
}


@pytest.mark.parametrize("harmony", TRADED)
@pytest.mark.parametrize("kind", RUNNING, ids=str)
def test_a_running_line_rests_before_a_gap(kind: Any, harmony: str) -> None:
    """The last note of every call begins on beat 3 or 4 (or was begun before and is held), lasts to
    the bar line, and from beat 3 on is 1, 3 or 5 of its chord; also where the response begins the
    next pass."""
    gaps = {"call": 2, "response": 2, "harmony": harmony}
    score = written(line=kind, gaps=gaps, **TRADED[harmony])
    arrivals = 0
    for bar, after in pairwise(score.chart.bars):
        if (bar.role, after.role) == ("call", "response"):
            last = [note for note in line(score) if bar.start <= note.start < bar.end][-1]
            assert last.start + last.duration == bar.end
            assert last.duration >= 1
            if last.start >= bar.start + 2:
                assert (last.start - bar.start) in (2, 3)
                assert last.pitch.midi % 12 in triad(bar.spans[-1].chord)
                arrivals += 1
    assert arrivals >= 12


@pytest.mark.parametrize("kind", ["walking", RUNNING[4]], ids=str)
def test_it_is_mostly_reached_by_step(kind: Any) -> None:
    """A walking line and a scale reach it by a semitone or a whole tone, in nine calls of ten."""
    steps = []
    for score in (written(line=kind, seed=seed) for seed in range(1, 4)):
        for bar, after in pairwise(score.chart.bars):
            if (bar.role, after.role) == ("call", "response"):
                *_, before, last = [note for note in line(score) if note.start < bar.end]
                steps.append(1 <= abs(last.pitch.midi - before.pitch.midi) <= 2)
    assert sum(steps) >= 0.9 * len(steps)


def test_a_broken_chord_is_not_cut_for_a_step() -> None:
    """It goes by thirds, to its last note too (common practice): in twelve keys no last bar of a
    call has only roots and sevenths, and each has three tones of its chord."""
    options = {"kind": "arpeggio", "connect": True, "range": "E1 to A2"}
    score = written(progression="Imaj7 | vi7 | ii7 | V7", line=options)
    for bar, after in pairwise(score.chart.bars):
        if (bar.role, after.role) == ("call", "response"):
            notes = [note for note in line(score) if bar.start <= note.start < bar.end]
            assert len({note.pitch.midi % 12 for note in notes}) >= 3


@pytest.mark.parametrize("gaps", [2, "off"])
@pytest.mark.parametrize("kind", EVERY, ids=str)
def test_every_line_goes_to_the_last_chord(kind: Any, gaps: object) -> None:
    """No line leaves the last bars empty: a note (or two) is held through them, of named notes one
    of these, else 1, 3 or 5 of the last chord, in twelve keys to end in."""
    for key in TWELVE:
        if kind == "phrases" and gaps == "off":
            continue
        score = written(line=kind, gaps=gaps, key_cycle=key)
        final = score.chart.ending
        held = [note for note in line(score) if note.start >= final[0].start]
        assert held
        assert all(note.start == final[0].start for note in held)
        assert all(note.start + note.duration == final[-1].end for note in held)
        assert all(n.pitch.midi % 12 in triad(final[0].spans[0].chord) for n in held)
        if kind == "guide tones":
            before = [note for note in line(score) if note.start < final[0].start][-1]
            assert abs(held[0].pitch.midi - before.pitch.midi) <= 2


def test_a_loop_has_no_last_chord_to_go_to() -> None:
    """Without an ending nothing is added."""
    score = written(line="guide tones", ending="none")
    assert line(score)[-1].start < score.chart.end - 4 * 2
