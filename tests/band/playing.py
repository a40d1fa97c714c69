"""Bands to listen to: a drill's score, and what a part plays bar by bar."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from quicktions import Fraction

from drillgen.arrange import arrange
from drillgen.band.feel import KEYS
from drillgen.chart import Bar, charts
from drillgen.drill.band import basses, meters, playable_feels
from drillgen.drill.models import Drill
from drillgen.score import Part, PartName, Score

BLUES = "I7 | IV7 | I7 | % | IV7 | % | I7 | VI7b9 | ii7 | V7 | I7 VI7 | ii7 V7alt"
EIGHT = "ii7 | V7 | Imaj7 | VI7b9 | ii7 | V7 | Imaj7 | V7"
EVERY = [(name, meter) for name in playable_feels() for meter in meters(name)]
WITH_BASS = [(name, meter, bass) for name, meter in EVERY for bass in basses(name)]


def written(**drill: Any) -> Score:
    """The score of a drill: eight bars in C, without line or gaps unless asked for; written once
    for all who ask for the same."""
    usual = {"progression": EIGHT, "key_cycle": "C", "gaps": "none", "line": "off"}
    return _written(json.dumps(usual | drill))


@lru_cache(maxsize=64)
def _written(drill: str) -> Score:
    return arrange(charts(Drill.model_validate(json.loads(drill)))[0])


def only(part: PartName, spec: Any, **beside: Any) -> dict[str, Any]:
    """A band of one player, and of those who are named beside him: where nobody listens to the
    others they are not written."""
    return {"drums": "off", "comping": "off", "bass": "off", part: spec, **beside}


def of(score: Score, name: PartName) -> Part:
    part = score.part(name)
    assert part is not None
    return part


def bars(score: Score) -> list[Bar]:
    """The bars of the form."""
    return [bar for bar in score.chart.bars if bar.form_bar >= 0]


def struck(score: Score, bar: Bar, sound: str) -> list[Fraction]:
    """Where in a bar a sound of the kit is struck, in quarter notes from the barline."""
    return [
        hit.start - bar.start
        for hit in of(score, "drums").hits
        if bar.start <= hit.start < bar.end and hit.key == KEYS[sound]
    ]


def shapes(score: Score, name: PartName) -> Iterator[frozenset[tuple[Fraction, int]]]:
    """What a part plays in each bar of the form: places and keys."""
    part = of(score, name)
    events = [(note.start, note.pitch.midi) for note in part.notes]
    events += [(hit.start, hit.key) for hit in part.hits]
    for bar in bars(score):
        yield frozenset((at - bar.start, key) for at, key in events if bar.start <= at < bar.end)
