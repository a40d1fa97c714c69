"""Degrees over every preset's chords, in one octave from a chord's beginning to its end."""

from __future__ import annotations

from itertools import pairwise

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.lesson import list_presets, load
from drillgen.drill.models import Drill
from drillgen.drill.overrides import Override
from drillgen.score import Score
from tests.lines.writing import WITHOUT_OTHERS, spans, under

_FIFTH = 7  # semitones: as far as 1 2 3 5 reaches
_LINES = [
    Drill.model_validate({"progression": "I", "line": {"kind": "scale pattern", **each}}).line
    for each in ({}, {"note": "eighth", "connect": True})
]
_FOUR_KEYS = {"start": "C", "move": -3, "keys": 4}
_SHORT = {"band.bass": "off", "key_cycle": _FOUR_KEYS, "passes": 1}
_TRACKS = [*WITHOUT_OTHERS, *(Override.of(path, value) for path, value in _SHORT.items())]


def test_no_octave_breaks_a_figure() -> None:
    """1 2 3 5 (common practice), or 5 3 2 1, over each preset's progression in four keys, in
    eighths where it has bars of two chords: no two notes of a chord lie more than a fifth apart."""
    drills = [each for preset in list_presets() for each in load(preset.name, _TRACKS).drills]
    figures = 0
    for drill in {(str(each.progression), each.meter): each for each in drills}.values():
        busy = any(len(bar.slots) > 1 for bar in drill.progression.bars)
        score = arrange(charts(drill.model_copy(update={"line": _LINES[busy]}))[0])
        figures += _figures(score, drill.title)
    assert figures > 200


def _figures(score: Score, title: str) -> int:
    """How many chords of four notes there are, each of which is looked at."""
    found = 0
    for span in spans(score):
        notes = under(score, span)
        place = title, str(span.chord), [str(note.pitch) for note in notes]
        steps = [abs(b.pitch.midi - a.pitch.midi) for a, b in pairwise(notes)]
        assert max(steps, default=0) <= _FIFTH, place
        found += len(notes) == 4
    return found
