"""Fingerings as a person gets them: `drillgen check` of a drill that asks for one."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.conftest import Run

SCALE = """\
title: One octave
progression: Imaj7 | %
key_cycle: G
count_in: 0
gaps: none
ending: none
line: {kind: written, notes: "1:q 2 3 4 | 5 6 7 1'", range: E1 to G3}
sheet: {fingering: true}
"""


def played(output: str) -> list[str]:
    """The notes with string and finger, in order."""
    return re.findall(r"[A-G][b#]?\d:\S+", output)


def test_g_major_lies_in_the_first_position(drillgen: Run, tmp_path: Path) -> None:
    """G major from G1, with open strings, is 2 0 1 2 0 1 4 0 in the first position (common
    practice: the first scale of every double-bass method)."""
    drill = tmp_path / "scale.yaml"
    drill.write_text(SCALE)
    done = drillgen("check", drill)
    assert done.returncode == 0, done.stderr
    assert played(done.stdout) == [
        "G1:E2", "A1:A0", "B1:A1", "C2:A2", "D2:D0", "E2:D1", "F#2:D4", "G2:G0"]  # fmt: skip
    assert re.findall(r"\[(.*?)\]", done.stdout) == ["I"] and "Simandl" in done.stdout


def test_two_solutions_contrast(drillgen: Run, tmp_path: Path) -> None:
    """On request two solutions are shown: one with open strings, one without any."""
    drill = tmp_path / "scale.yaml"
    drill.write_text(SCALE)
    done = drillgen("check", drill, "--set", "sheet.fingering.solutions=two")
    ringing, stopped = done.stdout.split("Fingering with open strings")[1].split("stopped")
    assert any(note.endswith("0") for note in played(ringing))
    assert not any(note.endswith("0") for note in played(stopped))


@pytest.mark.parametrize(
    ("setting", "expected"),
    [
        ("sheet.fingering.strings=five", "five strings"),
        ("sheet.fingering.strings=solo", "solo tuning"),
        ("sheet.fingering.strings=C1 A1 D2 G2", "C1 A1 D2 G2"),
        ("sheet.instrument=electric", "fret of the first finger"),
    ],
)
def test_other_basses(drillgen: Run, tmp_path: Path, setting: str, expected: str) -> None:
    """Five strings, solo tuning, a tuning of one's own and the electric bass are at hand."""
    drill = tmp_path / "scale.yaml"
    drill.write_text(SCALE)
    done = drillgen("check", drill, "--set", setting)
    assert done.returncode == 0 and expected in done.stdout, done.stderr


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("sheet.fingering.strings=A1 D2 G2", ["bar 1", "G1", "lowest string"]),
        ("sheet.instrument=flute", ["flute", "upright"]),
        ("sheet.fingering.strings=G2 D2", ["order"]),
        ("sheet.fingering.strings=fuor", ["tuning", "four"]),
    ],
)
def test_what_cannot_be_played_is_said(
    drillgen: Run, tmp_path: Path, setting: str, words: list[str]
) -> None:
    """A note that the bass has not is named with its bar; a reader or tuning that is none, too."""
    drill = tmp_path / "scale.yaml"
    drill.write_text(SCALE)
    done = drillgen("check", drill, "--set", setting)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert all(word in done.stderr for word in words), done.stderr
