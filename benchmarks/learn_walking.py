"""`python -m benchmarks.learn_walking`: makes `drillgen/band/walking.json` from the counts.

The counts are blurred: a machine heard the basses, and a quarter of its notes are wrong
(`musical/machine_ear.py`).  And several tables speak of the same note, so that -log p of each would
count everything twice.  Both are mended at once, by what Richardson and Lucy do with a blurred
picture: walk with the costs, note it as the machine would, compare with the counts, and change the
cost of each choice by -log of the mean of counted over noted, over whatever it may be noted as;
again and again.  The walker's rules stay as they are, so that nothing is learned that they forbid.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from benchmarks.musical.corpus import FORMS
from benchmarks.musical.walking_counts import TABLES, Walked, all_of, back, counted, noted, rows
from drillgen.band import walking
from drillgen.band.walking import INTERVALS, Costs, class_of, costs_of
from drillgen.chart import charts
from drillgen.drill.models import Drill
from drillgen.lines.pass_context import PassContext, WholeTrack, cells

_ROUNDS = 30
_RATE = 0.7
_FLOOR = 0.003  # of a row: rarer choices than this teach nothing
_HARDLY = 1e-4  # of a row: less than this is as good as never
_DEAREST = 9.0
_TARGET = Path(walking.__file__).with_name("walking.json")
_CLASSES = [next(i for i in INTERVALS if class_of(i) == c) for c in range(class_of(12) + 1)]
_ROWS = ("dominant", "m7b5", "major", "minor")
MORE = {
    "rhythm": {"A": "I6 VI7 | ii7 V7 | iii7 VI7 | ii7 V7 | I7 | IV6 #ivo7 | I6 V7 | I6",
               "B": "III7 | % | VI7 | % | II7 | % | V7 | %", "form": "A A B A"},
    "two-fives": "ii7 | V7 | Imaj7 | % | iiø7 | V7b9 | i6 | % | iv7 | bVII7 | bIIImaj7 | bVImaj7",
    "long chords": "I7 | % | % | % | IV7 | % | I7 | % | ii7 | % | V7 | % | Imaj7 | % | % | %",
}  # fmt: skip


def lines(costs: Costs, seed: int, keys: str = "fourths") -> Iterator[tuple[Any, list[int]]]:
    """Walked choruses of common forms in twelve keys: the notes to be found, and MIDI keys."""
    for name, form in {**FORMS, **MORE}.items():
        if name == "vamp":
            continue
        drill = Drill.model_validate({"progression": form, "key_cycle": keys, "line": "off",
                                      "gaps": "none", "ending": "none"})  # fmt: skip
        for chart in charts(drill)[:1]:
            bars = tuple(bar for bar in chart.bars if bar.form_bar >= 0)
            random = Random(f"{seed} {name}")
            room = PassContext(bars, tuple(cells(bars)), drill.meter.beat, 28, 55, 36, random,
                               track=WholeTrack())  # fmt: skip
            beats = list(walking._beats(chart, room, None))
            yield beats, walking._drawn(beats, (28, 55), None, random, costs)


def flat() -> dict[str, dict[str, list[float]]]:
    """Costs to begin with: none, but that leaps pay."""
    leaps = [0.15 * abs(interval) for interval in INTERVALS]
    return {
        "interval": {name: list(leaps) for name in counted()["interval"]},
        "after": {str(_highest(row)): [0.0] * 25 for row in range(class_of(12) + 1)},
        "degree": {f"{name} beat {k}": [0.0] * 12 for name in _ROWS for k in (1, 2, 3, 4)},
        "into": {str(motion): [0.0] * 25 for motion in range(12)},
    }


def _highest(row: int) -> int:
    return max(i for i in INTERVALS if class_of(i) == row)


def learned(rounds: int) -> dict[str, dict[str, list[float]]]:
    table = flat()
    for turn in range(rounds):
        walked = all_of(lines(costs_of(table), turn))
        for name in TABLES:
            _change(table[name], name, walked, _RATE if turn < rounds * 2 / 3 else _RATE / 3)
        print(turn, " ".join(f"{n} {h:.3f}/{t:.3f}" for n, h, _, t in rows(walked)), flush=True)
    return {name: _tidy(name, part) for name, part in table.items()}


def _change(costs: dict[str, list[float]], name: str, walked: Walked, rate: float) -> None:
    for row, real in counted()[name].items():
        played = walked.rows[name].get(row)
        if played is None or not played.sum() or real.sum() < 20:
            continue
        trust = min(real.sum() / 200, 1.0)  # few counts teach little
        ours = noted(name, played / played.sum())
        ratio = (real / real.sum() + _FLOOR / real.size) / (ours + _FLOOR / real.size)
        lesson = np.log(np.maximum(back(name, ratio), 1e-3))
        lesson[played < _HARDLY * played.sum()] = (
            0.0  # a rule forbids it: there is nothing to learn
        )
        if name == "after":
            weight = played + 0.5
            for c, highest in enumerate(costs):
                at = [i + 12 for i in INTERVALS if class_of(i) == c]
                mean = np.average(lesson[at], axis=0, weights=weight[at])
                costs[highest] = _within(np.array(costs[highest]) - mean * rate)
        else:
            costs[row] = _learn(costs[row], lesson * rate * trust)


def _learn(costs: list[float], lesson: Any) -> list[float]:
    new = np.array(costs) - lesson
    return _within(new - np.median(new))


def _within(costs: Any) -> list[float]:
    return list(np.clip(costs, -_DEAREST / 2, _DEAREST / 2))


def _tidy(name: str, part: dict[str, list[float]]) -> dict[str, list[float]]:
    """The same costs from 0 up, by rows; those after an interval weigh that one too: all by one."""
    least = min(min(costs) for costs in part.values()) if name == "after" else None
    return {
        row: [round(float(cost - (min(costs) if least is None else least)), 2) for cost in costs]
        for row, costs in part.items()
    }


def main() -> None:
    found = learned(_ROUNDS)
    about = {
        "about": "What a note of the band's walking bass costs: -log p, from 0 for the likeliest. "
        "interval: by place in the bar, -12 to 12 semitones; after: by the interval before (the "
        "highest of its class); degree: by chord family and beat, 0 to 11 semitones over the root; "
        "into: by the roots' motion, 0 to 11 semitones up.",
        "source": "Made by `python -m benchmarks.learn_walking` from benchmarks/musical/data/"
        "walking_counts.json: counts from walking bass lines under recorded jazz solos, Weimar "
        "Jazz Database (The Jazzomat Research Project, Hochschule für Musik Franz Liszt Weimar).",
        "licence": "Open Database License (ODbL) 1.0, as the database it was counted from.",
    }
    rows_of = [
        f' "{name}": {{\n'
        + ",\n".join(f'  "{row}": {json.dumps(costs)}' for row, costs in part.items())
        + "\n }"
        for name, part in found.items()
    ]
    head = [f" {json.dumps(k)}: {json.dumps(v, ensure_ascii=False)}" for k, v in about.items()]
    _TARGET.write_text("{\n" + ",\n".join([*head, *rows_of]) + "\n}\n", "utf-8")


if __name__ == "__main__":
    main()
