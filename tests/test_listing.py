"""What `check` and `presets list` print."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drillgen import DrillgenError, check
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


def test_bars_are_listed_once_for_all_tempos() -> None:
    """Each tempo has its head, with its length; bars and fingerings that are alike stand below the
    first alone.  What differs is shown: there is no time for words at the quick tempo."""
    drill = {"progression": "ii7 | V7 | Imaj7 | %", "key_cycle": ["C", "F"], "tempo": [50, 350]}
    for more, called in ({}, "bars"), ({"sheet": {"fingering": True}}, "bars and fingering"):
        shown = check({**drill, **more, "line": {"kind": "guide tones"}})
        slow, quick = shown.split("\n\nDrill\n")
        assert slow.count("Gm7") == 2 and "tempo 50 " in slow
        assert quick.split("\n")[1:] == [f"  {called} as at tempo 50"] and "tempo 350 " in quick
    spoken = check({**drill, "gaps": 1, "band": {"spoken": "keys and turns"}})
    assert [spoken.count(said) for said in ("Gm7", "as at tempo 50", "no time to say")] == [2, 1, 1]


def columns(text: str) -> set[tuple[int, ...]]:
    """Where the bar lines stand in the chart's full lines."""
    rows = [row for row in text.splitlines() if row.count("|") == 5]
    return {tuple(place for place, sign in enumerate(row) if sign == "|") for row in rows}


@pytest.mark.parametrize("tracks", ["together", "per key"])
def test_the_columns_of_a_drill_are_the_same_in_every_key(
    drillgen: Run, tmp_path: Path, tracks: str
) -> None:
    """However long the chords get in a key (Dbmaj7 Bbm7 Ebm7b5 Ab7alt), and however long a
    section's name is, each column stands under itself, in one track or in several."""
    drill = tmp_path / "drill.yaml"
    form = "Imaj7 vi7 iiø7 V7alt | Imaj7 | ii7 | V7"
    text = f"progression: {{the long way home: {form}, B: {form}}}\ntracks: {tracks}\n"
    drill.write_text(text, "utf-8")
    done = drillgen("check", drill)
    assert done.returncode == 0, done.stderr
    assert len(columns(done.stdout)) == 1
    assert "Dbmaj7  Bbm7  Ebm7b5  Ab7alt |" in done.stdout


BLUES = "I7 | IV7 | I7 | % | IV7 | % | I7 | % | V7 | IV7 | I7 | V7"


@pytest.mark.parametrize(
    ("text", "notes"),
    [
        (
            "progression: ii7 | V7 | Imaj7 | %\ngaps: {call: 3, response: 4}",
            ["calls of 3 and responses of 4 bars don't fit into a form of 4 bars: the last call "
             "has 1 bar"],
        ),
        (
            "progression: ii7 | V7 | Imaj7 | %\ngaps: {call: 2, response: 3}",
            ["responses of 3 bars don't fit over calls of 2 bars: each ends in the middle of its "
             "call's chords"],
        ),
        (
            f"progression: {BLUES}\ngaps: {{call: 4, harmony: continues}}",
            ["bars 9-12 are always the call's; passes: 2 would give them to the student, too"],
        ),
        (
            f"progression: {BLUES}\ngaps: {{call: 4, response: 3, harmony: continues}}",
            ["call and response don't fit into 12 bars a key: the last response has 1 bar of 3"],
        ),
        (
            f"progression: {BLUES}\ngaps: {{call: 7, response: 1, harmony: continues}}",
            ["bars 9-12 are always the call's"],
        ),
        (
            "progression: I | IV | V | IV | I | V\ngaps: {call: 4, harmony: continues}",
            ["call and response don't fit into 6 bars a key: the last response has 2 bars of 4"],
        ),
        (f"progression: {BLUES}\ngaps: {{call: 4, harmony: continues}}\npasses: 2", []),
        (f"progression: {BLUES}", []),
        ("progression: ii7 | V7", []),
        ("progression: ii7 | V7 | I | %\ngaps: {call: 2, response: 1}", []),
        ("progression: ii7 | V7 | I\ngaps: none", []),
    ],
)  # fmt: skip
def test_odd_gaps_are_remarked_on(
    drillgen: Run, tmp_path: Path, text: str, notes: list[str]
) -> None:
    """Calls and responses that do not fit the form, and bars that the student never gets, are
    noted under the drill's title; the drill is still right."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(text + "\nkey_cycle: C\n", "utf-8")
    done = drillgen("check", drill)
    assert done.returncode == 0
    said = [row for row in done.stdout.splitlines() if row.startswith("  note: ")]
    assert said == [f"  note: {note}" for note in notes]


def test_the_docs_show_what_check_prints(drillgen: Run, tmp_path: Path) -> None:
    """The README's first drill, and its chart in the docs as far as the sign that it goes on."""
    top = Path(__file__).parents[1]
    drill = (top / "README.md").read_text("utf-8").partition("```yaml\n")[2].partition("```\n")[0]
    language = (top / "docs" / "language.md").read_text("utf-8")
    example = language.partition("drillgen check thirds.yaml` shows")[2].partition("```\n")[2]
    *rows, last = example.partition("```\n")[0].splitlines()
    (tmp_path / "thirds.yaml").write_text(drill, "utf-8")
    printed = drillgen("check", tmp_path / "thirds.yaml").stdout.rstrip().splitlines()
    assert len(rows) > 4 and rows == printed[: len(rows)]
    assert len(printed) > len(rows) and last.strip() == "…"


def test_what_the_band_does_otherwise_is_seen(drillgen: Run, tmp_path: Path) -> None:
    """`check` says what the band does in responses and which bars are without it: with `every: 4,
    bars: 2` the bars 3, 4, 7, 8 and so on (counted from the first after the count-in)."""
    drill = tmp_path / "drill.yaml"
    drill.write_text(
        "progression: ii7 | V7 | Imaj7 | %\nkey_cycle: [C, F]\nline: roots\n"
        "gaps: {band: time, level: -6}\ndrop_outs: {every: 4, bars: 2}\n",
        "utf-8",
    )
    rows = drillgen("check", drill).stdout.splitlines()
    assert "  in responses the band keeps time only, 6 dB softer" in rows
    assert "  the band is silent in the last 2 bars of every 4" in rows
    alone = [int(row.split()[0]) for row in rows if " alone " in row]
    assert alone == [3, 7, 11, 15]
    assert all(row.count("|") == 3 for row in rows if " alone " in row)


def test_keys_are_looked_at(drillgen: Run) -> None:
    """`--keys` shows the rows of these keys as they stand in the whole, with fingerings; a key
    under its other name is the same; one that is not there is named with those that are."""
    drill = ("check", "first-two-fives", "--set", "sheet.fingering=true")
    whole = drillgen(*drill).stdout.splitlines()
    part = drillgen(*drill, "--keys", "Bb,F#").stdout.splitlines()
    chosen = [row for row in whole if re.match(r" +\d+ .*\b(Bb|Gb) ", row)]
    assert len(chosen) > 6
    assert [row for row in part if re.match(r" +\d+ ", row)] == chosen
    unknown = drillgen(*drill, "--keys", "Q")
    assert unknown.returncode == 2 and '"Q" is no key; allowed: ' in unknown.stderr
    wrong = drillgen(*drill, "--keys", "A")
    assert wrong.returncode == 2 and "allowed: C Bb Ab Gb E D" in wrong.stderr
    assert drillgen(*drill, "--keys", "X").returncode == 2


def test_bars_lie_in_one_key(drillgen: Run) -> None:
    """`--keys` of bars that are taken out allows their key alone, by which they are shown."""
    bars = ("check", "first-two-fives", "--bars", "9-10")
    (row,) = (row for row in drillgen(*bars).stdout.splitlines() if row.startswith("    9 "))
    key = row.split()[2]
    assert key != "C" and row in drillgen(*bars, "--keys", key).stdout
    done = drillgen(*bars, "--keys", "C")
    assert done.returncode == 2 and f"nothing is in C; allowed: {key}\n" in done.stderr


def test_python_and_the_command_refuse_alike(drillgen: Run, tmp_path: Path) -> None:
    """What a part of a class cannot play is refused by `drillgen.check` as by the command."""
    lesson = tmp_path / "lesson.yaml"
    lesson.write_text(
        "title: Monday\ndrills:\n"
        "  - {title: Frets, progression: I, line: {kind: roots, instrument: electric},\n"
        "     sheet: {tablature: true}}\n"
        "class:\n  upright:\n",
        "utf-8",
    )
    done = drillgen("check", lesson)
    with pytest.raises(DrillgenError) as caught:
        check(lesson)
    assert done.returncode == 2 and str(caught.value) in done.stderr
