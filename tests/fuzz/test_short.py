"""A few cases of each long run (`make fuzz`), always the same ones, and what these have found."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.fuzz import drills
from tests.fuzz.__main__ import ALL, run

CASES = {
    "texts": 60,
    "drills": 8,
    "packs": 3,
    "caches": 4,
    "fonts": 5,
    "interruptions": 1,
    "serving": 6,
}
FOUND = {
    "triplets off the half beat": 'line: {kind: written, notes: "1:h. 1:s 2:st 2:st 2:st 3:s"}\n'
    "gaps: none",
    "twelfths beside sixteenths": 'line: {kind: written, notes: "2:s 3:st 4:s. 5:st r:s. 1:st'
    ' 2:s 3:e. r:q."}\ngaps: none',
    "a stroke behind the end": "feel: samba\nmeter: 2/4\ntempo: 360\nending: none\nline: roots",
    "two strokes at one tick": "feel: samba\nmeter: 2/4\ntempo: 285.13\nswing: 4\nline: none\n"
    "key_cycle: C, F, Bb\nseed: 0\ngaps: {response: 1, level: 0}\n"
    "progression: Ebo7 | Ebo7 | Bb13#11 | F#m7b5",
    "a pick-up before the track": "count_in: 0\ntiming: exact\n"
    "line: {kind: enclosure, pickup: true}\nprogression: Abmaj9 Bb13#11",
    "two strokes at one moment": "feel: ballad\ntiming: exact\nseed: 1\n"
    "count_in: 0\nband: {drums: brushes}\nline: roots",
}


@pytest.mark.parametrize("name", ALL)
def test_a_few(name: str) -> None:
    """None of them fails."""
    done, _, failed = run(ALL[name], 1, CASES[name], math.inf)
    assert (done, failed) == (CASES[name], [])


@pytest.mark.parametrize("name", FOUND)
def test_found(name: str, tmp_path: Path) -> None:
    """Whatever `check` lets pass is played and printed soundly (see `drills`)."""
    ground = drills.Ground(tmp_path)
    usual = {"progression": "Dm7 Bb13#11 | G7 Fsus4 Ebo7 C/E | N.C. | Ebo7", "key_cycle": "Eb"}
    lines = [f"{key}: {value}" for key, value in usual.items() if key not in FOUND[name]]
    ground.written("\n".join([*lines, FOUND[name], ""]))
    assert ground.whole == 1
