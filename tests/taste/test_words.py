"""What people are told: how long it takes, what nothing means, which soundfont is used."""

from __future__ import annotations

from typing import Any

import pytest
from click.testing import CliRunner

from drillgen.cli import main
from drillgen.commands.build import time_left
from drillgen.drill.reader import drill_of
from drillgen.drill.schema import json_schema

SCHEMA = json_schema()
DEFAULTS = {
    name: spec["default"]
    for name, spec in SCHEMA["$defs"]["Drill"]["properties"].items()
    if spec.get("default") not in (None, "")
}


@pytest.mark.parametrize("name", DEFAULTS)
def test_a_default_in_the_schema_is_what_nothing_means(name: str) -> None:
    """An editor shows what a drill has where nothing is written: the same as writing it (JSON
    Schema 2020-12, 9.2: default)."""
    plain: dict[str, Any] = {"progression": "ii7 | V7 | Imaj7 | %"}
    assert drill_of(plain | {name: DEFAULTS[name]}) == drill_of(plain)


@pytest.mark.parametrize(
    ("done", "seconds", "said"),
    [
        (0.02, 60, ""),  # too early to tell
        (0.04, 1, ""),
        (0.04, 2.5, "60 s left"),
        (0.5, 1.9, ""),
        (0.5, 2.1, "2 s left"),
        (0.9, 5, "a moment left"),
        (0.75, 4.5, "2 s left"),
        (0.5, 89, "89 s left"),
        (0.5, 100, "2 min left"),
        (1, 100, ""),
    ],
)
def test_how_long_it_will_take(done: float, seconds: float, said: str) -> None:
    """Nothing in the first two seconds or the first three hundredths of the work; seconds up to one
    and a half minutes, then minutes (common practice: no number that is sure to be wrong)."""
    assert time_left(done, seconds) == said


def test_one_soundfont_is_marked() -> None:
    """`soundfonts` sets an arrow before the one that it says will be used, and before no other."""
    said = CliRunner().invoke(main, ["soundfonts"]).output
    marked = [line[2:] for line in said.split("\n") if line.startswith("→ ")]
    used = said.strip().split("\n")[-1]
    assert marked and all(used.startswith(f"{name} will be used") for name in marked)
