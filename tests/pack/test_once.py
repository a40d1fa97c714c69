"""What a build works out, it works out once, whichever processes do it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from drillgen.arrange import accompanied
from drillgen.lines.kinds import line
from drillgen.pack.manifest import read
from drillgen.performance import perform
from drillgen.sheet.reader import solutions
from drillgen.sheet.sheets import sheets

COUNTED: dict[str, Callable[..., Any]] = {
    "written": line,
    "arranged": accompanied,
    "performed": perform,
    "fingered": solutions,
    "composed": sheets,
    "manifest read": read,
}
# Python imports a module of this name as it starts (documentation of `site`), in workers, too.
# Each call of a counted function becomes a line of a file: what it was and for which track.
COUNTING = """\
import functools, importlib.machinery, json, os, sys
counted = json.loads(os.environ["COUNTED"])
def track(value):
    value = value[0] if isinstance(value, (list, tuple)) else value
    chart = getattr(value, "chart", value)
    if hasattr(chart, "tempo"):
        return [chart.drill.title, str(chart.tempo), " ".join(map(str, chart.keys))]
def counting(name, function):
    @functools.wraps(function)
    def noted(*values, **more):
        first = (*values, *more.values())[0]
        with open(os.environ["COUNTS"], "a") as file:  # one short write: no line is torn
            file.write(json.dumps([name, track(first)]) + "\\n")
        return function(*values, **more)
    return noted
class Finder:
    @staticmethod
    def find_spec(module, path=None, target=None):
        if module in counted:
            spec = importlib.machinery.PathFinder.find_spec(module, path)
            run = spec.loader.exec_module
            def exec_module(made):  # before anybody can import a name from it
                run(made)
                for name, function in counted[module]:
                    setattr(made, function, counting(name, getattr(made, function)))
            spec.loader.exec_module = exec_module
            return spec
sys.meta_path.insert(0, Finder)
"""
DRILL = "progression: ii7 | V7, ending: none, count_in: 0, band: {drums: sticks, comping: piano}"
LESSON = f"""\
title: Term
drills:
  - {{title: One, tempo: [340, 360], key_cycle: [C, F], gaps: none,
     line: {{kind: roots, instrument: electric}},
     sheet: {{fingering: {{solutions: two}}, tablature: true, also_for: [Bb]}}, {DRILL}}}
  - {{title: Two, tempo: [350, 330], key_cycle: [C, Bb], tracks: per key, line: phrases,
     gaps: {{call: 1, response: 1}}, sheet: {{fingering: true}}, {DRILL}}}
"""
TRACKS = Counter(
    {
        **{("One", tempo, "C major F major"): 1 for tempo in ("340", "360")},
        **{("Two", tempo, f"{k} major"): 1 for tempo in ("350", "330") for k in ("C", "Bb")},
    }
)
# All tempos of a drill share its sheets: they are made of the first.
ON_SHEETS = Counter({track: 1 for track in TRACKS if track[1] in ("340", "350")})


@pytest.fixture
def counts(tmp_path: Path) -> Callable[..., dict[str, Counter[Any]]]:
    """Run the command; how often each function was called for each track."""
    (tmp_path / "term.yaml").write_text(LESSON, "utf-8")
    (tmp_path / "sitecustomize.py").write_text(COUNTING, "utf-8")
    found = tmp_path / "counts"
    places: dict[str, list[tuple[str, str]]] = {}
    for name, function in COUNTED.items():
        places.setdefault(function.__module__, []).append((name, function.__name__))

    def run(*command: str) -> dict[str, Counter[Any]]:
        found.write_text("")
        surroundings = os.environ | {
            "PYTHONPATH": os.pathsep.join([str(tmp_path), *sys.path]),
            "COUNTED": json.dumps(places),
            "COUNTS": str(found),
        }
        subprocess.run(
            [sys.executable, "-m", "drillgen", *command],
            env=surroundings,
            cwd=tmp_path,
            check=True,
            stdout=subprocess.DEVNULL,
        )
        made: dict[str, Counter[Any]] = {name: Counter() for name in COUNTED}
        for row in found.read_text().splitlines():
            name, track = json.loads(row)
            made[name][track and tuple(track)] += 1
        return made

    return run


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_a_build_works_everything_out_once(counts: Any, jobs: str) -> None:
    """Each track of a lesson is written, arranged and performed once, each drill fingered and its
    sheets composed once, and the manifest read once: by one process, and by two workers.  Where
    everything is there, only the manifest is read."""
    command = ("build", "term.yaml", "-o", "out", "--single-file", "--quiet", "--jobs", jobs)
    made = counts(*command)
    assert made["written"] == made["arranged"] == made["performed"] == TRACKS
    assert made["fingered"] == ON_SHEETS
    assert sum(made["composed"].values()) == 2
    assert sum(made["manifest read"].values()) == 1
    made = counts(*command)
    assert sum(made.pop("manifest read").values()) == 1
    assert not any(made.values())


def test_check_works_everything_out_once(counts: Any) -> None:
    """`check` writes and fingers each track once, and plays nothing."""
    made = counts("check", "term.yaml")
    assert made["written"] == made["fingered"] == TRACKS
    assert not made["arranged"] and not made["performed"] and not made["composed"]
