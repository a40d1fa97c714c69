"""What `check` and `presets list` print."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import Run


@pytest.mark.parametrize(
    ("count_in", "said"),
    [
        ("2", "| sticks | sticks |"),
        ("{bars: 2, sound: hat}", "| hat | hat |"),
        ("{bars: 1, sound: click, starting_note: true}", "| note | click |"),
    ],
)
def test_the_count_in_says_what_is_heard(
    drillgen: Run, tmp_path: Path, count_in: str, said: str
) -> None:
    """No bar of the chart is blank: before the first it names the starting note and what counts."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(f"progression: ii7 | V7\nkey_cycle: C\ncount_in: {count_in}\n", "utf-8")
    rows = [row for row in drillgen("check", drill).stdout.splitlines() if "|" in row]
    assert " ".join(rows[0][rows[0].index("|") :].split()) == said
    assert all(cell.strip() for row in rows for cell in row.split("|")[1:-1])


def test_lessons_are_listed_first_with_their_drills(drillgen: Run) -> None:
    """`presets list` begins with whole courses and says how many drills each has; a course is
    built by its name like any preset."""
    lines = drillgen("presets", "list").stdout.strip().splitlines()
    assert lines[0] == "lessons"
    courses = lines[1 : lines.index("")]
    assert len(courses) >= 3 and all(line.endswith(" drills)") for line in courses)
    name = courses[0].split()[0]
    shown = drillgen("check", name, "--tempo", "60")
    assert shown.returncode == 0 and shown.stdout.count("tempo 60 ") >= 6
