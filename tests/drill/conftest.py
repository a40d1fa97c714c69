"""Drills written to real files, and where a test has marked that they are wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from drillgen.drill.lesson import load
from drillgen.drill.messages import DrillError, Problem
from drillgen.drill.models import Drill

MARK = "¦"  # stands in a test's text before each place that must be complained about
SHORTEST = "progression: ii7 | V7 | Imaj7 | %\n"


def marked(text: str) -> tuple[str, list[tuple[int, int]]]:
    """The text without its marks, and the line and column (from 1) of each."""
    places = []
    for number, line in enumerate(text.split("\n"), 1):
        while MARK in line:
            places.append((number, line.index(MARK) + 1))
            line = line.replace(MARK, "", 1)
    return text.replace(MARK, ""), places


@pytest.fixture
def read(tmp_path: Path) -> Callable[[str], Drill]:
    """Reads a drill's text by way of a file."""

    def read_text(text: str) -> Drill:
        path = tmp_path / "drill.yaml"
        path.write_text(text, "utf-8")
        return load(path).drills[0]

    return read_text


@pytest.fixture
def shortest(read: Callable[[str], Drill]) -> Callable[[str], Drill]:
    """Reads the smallest drill with some more lines."""
    return lambda more="": read(SHORTEST + more)


@pytest.fixture
def problems(read: Callable[[str], Drill]) -> Callable[[str], tuple[Problem, ...]]:
    """What is said about a text; fails unless it is said of exactly the marked places."""

    def said(text: str) -> tuple[Problem, ...]:
        plain, places = marked(text)
        with pytest.raises(DrillError) as caught:
            read(plain)
        found = caught.value.problems
        assert [(problem.line, problem.column) for problem in found] == places
        return found

    return said
