"""Fingerings as a person gets them: `drillgen check` of a drill that asks for one."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from drillgen.sheet.fingering.basses import SIMANDL
from drillgen.theory.pitch import Pitch
from tests.conftest import DATA, Run

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
    """The notes with string and finger, in order: `C2 A2` is the second finger on the A string."""
    found, string = [], ""
    for name, note, finger in re.findall(r"(\S+) string|([A-G][b#]?\d)\((.)\)", output):
        string = name or string
        found += [f"{note} {string}{finger}"] if note else []
    return found


def test_g_major_lies_in_the_first_position(drillgen: Run, tmp_path: Path) -> None:
    """G major from G1, with open strings, is 2 0 1 2 0 1 4 0 in the first position (common
    practice: the first scale of every double-bass method)."""
    drill = tmp_path / "scale.yaml"
    drill.write_text(SCALE)
    done = drillgen("check", drill)
    assert done.returncode == 0, done.stderr
    assert played(done.stdout) == [
        "G1 E2", "A1 A0", "B1 A1", "C2 A2", "D2 D0", "E2 D1", "F#2 D4", "G2 G0"]  # fmt: skip
    assert "[I] E string G1(2) A string A1(0) B1(1) C2(2)" in done.stdout
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


def test_no_low_string_is_played_high_up(drillgen: Run, tmp_path: Path) -> None:
    """From D3, the octave of the D string, to G3 every note lies on the G string, under a finger of
    the neck's and not the thumb; nothing from C2 on lies on the E string (common practice)."""
    drill = tmp_path / "high.yaml"
    notes = "2':q 3' 4' 5' | 5':e 4' 3' 2' 7 2' 3' 5' | 1:q 2 3 1 | 2:h 3"
    drill.write_text(SCALE.replace("1:q 2 3 4 | 5 6 7 1'", notes))
    done = drillgen("check", drill, "--key-cycle", "C, Bb, D", "--set", "line.range=E1 to G3")
    assert done.returncode == 0, done.stderr
    found = [word.split() for word in played(done.stdout)]
    keys = [Pitch.parse(note).midi for note, _ in found]
    high = {hand for (_, hand), key in zip(found, keys, strict=True) if key >= 50}
    assert high and {hand[0] for hand in high} == {"G"} and "GT" not in high
    assert not [hand for (_, hand), key in zip(found, keys, strict=True)
                if key >= 36 and hand[0] == "E"]  # fmt: skip


def test_the_same_bar_is_played_the_same_way(drillgen: Run, tmp_path: Path) -> None:
    """A bar that comes three times, after other bars each time, has one fingering."""
    drill = tmp_path / "again.yaml"
    notes = "1:q 3 5 3 | 1':q 2' 3' 2' | 1:q 3 5 3 | 7,:q 6, 5, 7, | 1:q 3 5 3 | 5:q 6 7 1'"
    drill.write_text(SCALE.replace("1:q 2 3 4 | 5 6 7 1'", notes).replace(" | %", " | %" * 6))
    for key in ("A", "Bb", "C", "Db", "Eb"):
        done = drillgen("check", drill, "--key-cycle", key)
        assert done.returncode == 0, done.stderr
        hands = played(done.stdout)
        bars = [tuple(hands[4 * bar : 4 * bar + 4]) for bar in range(6)]
        assert bars[0] == bars[2] == bars[4]


def named(text: str) -> set[str]:
    """All positions from one of Simandl's names to another."""
    order = list(SIMANDL.positions)
    low, _, high = "half to I".partition(" to ") if text == "first" else text.partition(" to ")
    return set(order[order.index(low) : order.index(high) + 1])


def compass(text: str) -> tuple[int, int]:
    """The longest stretch of MIDI keys that the Simandl table has in some positions, with the open
    strings, without a gap."""
    with (DATA / "simandl_positions.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["position"] in named(text)]
    columns = [column for column in rows[0] if column.startswith("semitone_finger")]
    keys = {int(row["open_midi"]) for row in rows}
    keys |= {int(row["open_midi"]) + int(row[column]) for row in rows for column in columns}
    stretches = [(low, high) for low in keys for high in keys
                 if low < high and keys >= set(range(low, high + 1))]  # fmt: skip
    return max(stretches, key=lambda pair: pair[1] - pair[0])


@pytest.mark.parametrize("positions", ["first", "half to III", "II to III"])
def test_positions_hold_for_line_and_fingering(
    drillgen: Run, tmp_path: Path, positions: str
) -> None:
    """With `positions` every note of a line round three keys lies between the lowest and highest
    note that these positions have all notes between by the Simandl table (tests/data, from memory),
    and no hand leaves them; the fingering is there without being asked for."""
    drill = tmp_path / "low.yaml"
    drill.write_text(
        "progression: ii7 | V7 | Imaj7 | %\nkey_cycle: C, Ab, E\n"
        f"positions: {positions}\nline: {{kind: scale pattern, pattern: 1235, note: eighth}}\n"
    )
    done = drillgen("check", drill)
    assert done.returncode == 0, done.stderr
    notes = [Pitch.parse(word.split()[0]).midi for word in played(done.stdout)]
    low, high = compass(positions)
    assert len(notes) > 60 and low <= min(notes) and max(notes) <= high
    assert set(re.findall(r"\[(.*?)\]", done.stdout)) <= named(positions)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (["positions=III"], ["positions", "A1 to B1", "half to III"]),
        (["positions=forst"], ["names no positions", '"first"']),
        (["positions=III to I"], ["III is above I", '"I to III"']),
        (["positions=1 to 5"], ["upright", "Simandl"]),
        (["positions=first", "line.instrument=violin"], ["violin", "upright"]),
        (["positions=first", "line.range=C3 to G4"], ["E1 to B2", "C3 to G4"]),
        (["first_position=true"], ["not a key", '"positions"']),
    ],
)
def test_positions_that_cannot_be(
    drillgen: Run, tmp_path: Path, settings: list[str], words: list[str]
) -> None:
    """Positions without an octave of notes, unknown ones, another bass's or nobody's are refused
    with what is allowed and what may have been meant."""
    drill = tmp_path / "low.yaml"
    drill.write_text("progression: ii7 | V7 | Imaj7 | %\npositions: half to III\n")
    options = [word for setting in settings for word in ("--set", setting)]
    done = drillgen("check", drill, *options)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert all(word in done.stderr for word in words)


@pytest.mark.parametrize("word", ["off", "none", "false"])
def test_no_positions_are_as_none_said(drillgen: Run, tmp_path: Path, word: str) -> None:
    """`positions: off`, in each of its spellings, leaves the drill as it is without the key."""
    drill = tmp_path / "scale.yaml"
    drill.write_text(SCALE, "utf-8")
    without = drillgen("check", drill)
    drill.write_text(f"{SCALE}positions: {word}\n", "utf-8")
    done = drillgen("check", drill)
    assert (done.returncode, done.stdout) == (0, without.stdout), done.stderr
