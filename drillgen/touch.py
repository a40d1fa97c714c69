"""How what is written is struck and held: accents, unevenness, lengths.  All common practice.

Levels are in dB against a part's normal note; lengths are shares of what is written.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from random import Random

from drillgen.chart import Chart
from drillgen.score import Hit, Note, PartName, Touch

UNEVENNESS = 0.8  # dB either way: no player strikes twice alike
_LEVELS: dict[Touch, float] = {
    "normal": 0.0,
    "accent": 2.5,
    "ghost": -8.0,
    "short": 0.0,
    "held": 0.0,
}
_BACKBEAT = 1.0  # 2 and 4 of a walking bass
_STROKES = 1.5  # dB either way, by which one chord of the comping is stronger than another
_TOP_VOICE = 1.0  # the highest note of each, which is heard as a tune
_TOP = 1.5  # the highest note of a turn in the line
_TIED = 2  # beats without a note after which another phrase begins

_LENGTHS: dict[PartName, float] = {"line": 0.95, "bass": 0.94, "comping": 0.9, "cue": 1.0}
# … and where a feel asks for shorter or longer ones.
_BY_FEEL: dict[tuple[PartName, str], float] = {
    ("bass", "two-feel"): 0.85,
    ("bass", "ballad"): 0.97,
    ("bass", "bossa nova"): 0.85,
    ("bass", "samba"): 0.75,
    ("bass", "shuffle"): 0.88,
    ("line", "ballad"): 0.98,
    ("line", "samba"): 0.9,
    ("comping", "ballad"): 0.97,
}
_COMPED: dict[Touch, float] = {"short": 0.7, "held": 0.97}


def length(chart: Chart, part: PartName, event: Note | Hit) -> float:
    """The share of its written length that an event sounds."""
    if isinstance(event, Hit):
        return 1.0
    if part == "comping" and event.touch in _COMPED:
        return _COMPED[event.touch]
    return _BY_FEEL.get((part, chart.drill.feel), _LENGTHS.get(part, 1.0))


def level(event: Note | Hit) -> float:
    """Its own level and its touch's, dB."""
    return event.level + _LEVELS[event.touch]


def accents(chart: Chart, part: PartName, notes: Sequence[Note]) -> dict[int, float]:
    """What some of a part's notes, by their index, gain by where they stand, dB."""
    if part == "comping":
        return dict(_voiced(chart, notes))
    line = chart.drill.line
    walks = part == "bass" or (part == "line" and line is not None and line.kind == "walking")
    if walks and chart.drill.meter.beats % 2 == 0:
        return {i: _BACKBEAT for i, note in enumerate(notes) if _on_backbeat(chart, note)}
    if part == "line" and not walks:
        return dict.fromkeys(_tops(chart, notes), _TOP)
    return {}


def _voiced(chart: Chart, notes: Sequence[Note]) -> Iterator[tuple[int, float]]:
    """No two chords are struck alike, and the highest voice of each stands out."""
    for place, group in groupby(range(len(notes)), key=lambda index: notes[index].start):
        indices = list(group)
        stroke = Random(f"{chart.drill.seed} stroke {place}").uniform(-_STROKES, _STROKES)
        top = max(indices, key=lambda index: notes[index].pitch.midi)
        yield from ((i, stroke + (_TOP_VOICE if i == top else 0.0)) for i in indices)


def _on_backbeat(chart: Chart, note: Note) -> bool:
    beat = (note.start - chart.bar_at(note.start).start) / chart.drill.meter.beat
    return beat % 2 == 1 and note.duration <= chart.drill.meter.beat


def _tops(chart: Chart, notes: Sequence[Note]) -> Iterator[int]:
    """The first of the highest notes of each phrase that has a height."""
    gap = _TIED * chart.drill.meter.beat
    phrase, ends = 0, notes[0].start if notes else None
    numbers = []
    for note in notes:
        assert ends is not None
        phrase += note.start - ends >= gap
        ends = note.start + note.duration
        numbers.append(phrase)
    for _, group in groupby(range(len(notes)), key=numbers.__getitem__):
        indices = list(group)
        heights = [notes[index].pitch.midi for index in indices]
        if len(set(heights)) > 1:
            yield indices[heights.index(max(heights))]
