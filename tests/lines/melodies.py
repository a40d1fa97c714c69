"""What the tests of melodies share: drills in, notes out."""

from __future__ import annotations

import json
from functools import lru_cache
from itertools import pairwise
from typing import Any

from quicktions import Fraction

from drillgen.arrange import arrange
from drillgen.chart import Bar, charts
from drillgen.drill.reader import drill_of
from drillgen.score import Note, Score

TWELVE = ["C", "F", "Bb", "Eb", "Ab", "Db", "Gb", "B", "E", "A", "D", "G"]
BLUES = "I7 | IV7 | I7 | v7 I7 | IV7 | #IVo7 | I7 | VI7 | ii7 | V7 | I7 VI7 | ii7 V7"


def score_of(**drill: Any) -> Score:
    """The score of a drill's first track; a bass alone accompanies where nothing else is said,
    since the others hear the line but the line does not hear them.  It is written once for all
    who ask for the same."""
    band = {"drums": "off", "comping": "off"}
    return _score(json.dumps({"band": band} | drill))


@lru_cache(maxsize=16)
def _score(drill: str) -> Score:
    return arrange(charts(drill_of(json.loads(drill)))[0])


def notes_of(score: Score) -> tuple[Note, ...]:
    """The line without the note that it holds on the last chord."""
    part = score.part("line")
    assert part is not None
    return tuple(note for note in part.notes if bar_of(score, note).role != "ending")


def bar_of(score: Score, note: Note) -> Bar:
    return score.chart.bar_at(note.start)


def by_pass(score: Score) -> list[list[Note]]:
    """The notes of each pass; a drill with a pick-up must not ask."""
    passes: dict[int, list[Note]] = {}
    for note in notes_of(score):
        passes.setdefault(bar_of(score, note).pass_number, []).append(note)
    return list(passes.values())


def names(notes: list[Note] | tuple[Note, ...]) -> list[str]:
    return [str(note.pitch.name) for note in notes]


def places(score: Score, notes: list[Note] | tuple[Note, ...]) -> list[Fraction]:
    """Where notes begin in their bars, in quarter notes."""
    return [note.start - bar_of(score, note).start for note in notes]


def one_at_a_time(notes: tuple[Note, ...]) -> bool:
    """Whether every note lasts, and ends before the next begins."""
    lasting = all(note.duration > 0 for note in notes)
    return lasting and all(a.start + a.duration <= b.start for a, b in pairwise(notes))
