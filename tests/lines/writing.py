"""Drills written out for tests of lines, and random ones."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from hypothesis import strategies as st

from drillgen.arrange import arrange
from drillgen.chart import Span, charts
from drillgen.drill.models import Drill
from drillgen.drill.reader import Override
from drillgen.score import Note, Score
from drillgen.theory.chord_types import USUAL

TWELVE = ["C", "F", "Bb", "Eb", "Ab", "Db", "Gb", "B", "E", "A", "D", "G"]
ROOTS = [letter + sign for letter in "CDEFGAB" for sign in ("", "b", "#")]
TWO_FIVE = "ii7 | V7 | Imaj7"
# The others hear the line, and the line does not hear them.
ALONE = {"drums": "off", "comping": "off"}
WITHOUT_OTHERS = [Override.of(f"band.{part}", off) for part, off in ALONE.items()]


def written(**drill: Any) -> Score:
    """One track; a two-five in C without gaps where nothing else is said, over a bass alone."""
    plain = {"progression": TWO_FIVE, "key_cycle": "C", "gaps": "off"}
    band = {**ALONE, **drill.pop("band", {})}
    return arrange(charts(Drill.model_validate({**plain, **drill, "band": band}))[0])


def line(score: Score) -> tuple[Note, ...]:
    """The line without the note that it holds on the last chord."""
    part = score.part("line")
    assert part is not None
    return tuple(n for n in part.notes if score.chart.bar_at(n.start).role != "ending")


def names(score: Score) -> str:
    return " ".join(str(note.pitch.name) for note in line(score))


def pitches(score: Score) -> str:
    return " ".join(str(note.pitch) for note in line(score))


def spans(score: Score) -> list[Span]:
    return [span for bar in score.chart.bars if bar.form_bar >= 0 for span in bar.spans]


def under(score: Score, span: Span) -> list[Note]:
    return [note for note in line(score) if span.start <= note.start < span.end]


def is_filled(notes: list[Note], span: Span) -> bool:
    """Whether the notes follow one another from the chord's start to its end."""
    ends = [note.start + note.duration for note in notes]
    joined = all(a.start + a.duration == b.start for a, b in pairwise(notes))
    return bool(notes) and joined and notes[0].start == span.start and ends[-1] == span.end


chords = st.builds(str.__add__, st.sampled_from(ROOTS), st.sampled_from(USUAL))
# Meter and progression: bars of one chord, and in 4/4 of two.
bars = st.one_of(chords, st.builds("{} {}".format, chords, chords))
progressions = st.one_of(
    st.tuples(st.just("4/4"), st.lists(bars, min_size=1, max_size=4).map(" | ".join)),
    st.tuples(st.sampled_from(["3/4", "5/4"]),
              st.lists(chords, min_size=1, max_size=4).map(" | ".join)),
)  # fmt: skip
ranges = st.sampled_from(["E1 to G3", "E1 to E2", "C3 to C6", "B0 to C2", "F2 to A3"])
keys = st.lists(st.sampled_from([*TWELVE, "F#", "C#", "Cb", "F minor", "G# minor"]), min_size=1,
                max_size=3, unique=True)  # fmt: skip
