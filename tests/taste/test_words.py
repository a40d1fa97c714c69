"""What people are told: how long it takes, what nothing means, which soundfont is used."""

from __future__ import annotations

import re
from dataclasses import replace
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner

from drillgen.chart import charts
from drillgen.cli import building, checking, main
from drillgen.cli.building import ProgressBar, time_left
from drillgen.drill.files import LESSONS
from drillgen.drill.reader import drill_of
from drillgen.drill.schema import json_schema
from drillgen.listing import remarks
from drillgen.pack.build import Pack
from drillgen.page import Stand, Take
from drillgen.page.values import layout
from drillgen.performance import perform
from drillgen.score import Score, speech
from drillgen.sheet.layout import tempo_mark
from drillgen.sheet.svg import Drawing, Words
from tests.taste.heard import heard

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
        (0.03, 2.5, "81 s left"),
        (0.04, 1, ""),
        (0.04, 2.5, "60 s left"),
        (0.5, 1.9, ""),
        (0.5, 2, "2 s left"),
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


@pytest.mark.parametrize(
    ("progression", "minor"),
    [("iiø7 | V7b9 | iiø7 | V7b9", "iiø7"), ("i7 | iv7", "i7"), ("ii7 | V7", ""), ("I7 | iv7", "")],
)
def test_a_progression_in_minor_is_seen(progression: str, minor: str) -> None:
    """By its tonic, or by a half-diminished second where it has none (common practice: ii is so in
    minor), where a drill names no key."""
    said = " ".join(remarks(drill_of({"progression": progression})))
    assert ("in minor" in said) is bool(minor)
    assert f"in minor ({minor})" in said or not minor


def test_stages_that_are_not_reached() -> None:
    """A set grows to all of its notes: five of them from two on in four stages."""
    line = {"kind": "phrases", "notes": "1 2 b3 4 5", "grow": [2, 3, 4, 5]}
    said = " ".join(remarks(drill_of({"progression": "i7", "key_cycle": "C minor", "line": line})))
    assert "grow from 2 to 5 in 4 stages" in said


@pytest.mark.parametrize(("made", "said"), [(1, "Made 1 of 2 tracks"), (2, "Made 2 tracks")])
def test_how_much_was_made(tmp_path: Path, made: int, said: str) -> None:
    """Where all tracks were made, it is not said how many of them."""
    soundfont = SimpleNamespace(path=tmp_path, name="any")
    pack = Pack(tmp_path, (tmp_path / "a", tmp_path / "b"), tmp_path / "index.html", None, None,
                (), 60.0, made, (), 1.0, soundfont, ())  # type: ignore[arg-type]  # fmt: skip
    assert building._said(pack).startswith(said)


@pytest.mark.parametrize(("feel", "meter", "told"), [("swing", "4/4", 0), ("swing", "3/4", 1)])
def test_a_list_tells_an_unusual_meter(tmp_path: Path, feel: str, meter: str, told: int) -> None:
    """Of swing, three beats a bar; four are what it means (common practice)."""
    file = tmp_path / "any.yaml"
    file.write_text(f"title: Any\nprogression: I6\nfeel: {feel}\nmeter: {meter}\n", "utf-8")
    preset = SimpleNamespace(is_lesson=False, path=file)
    assert (f" in {meter}" in checking._facts(preset)) is bool(told)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("kind", "instrument", "keys", "turn"),
    [("keys", "upright", True, ""), ("turns", "upright", False, "play"),
     ("keys and turns", "upright", True, "play"), ("turns", "voice", False, "sing")],
)  # fmt: skip
def test_a_voice_says_what_it_is_asked_for(
    kind: str, instrument: str, keys: bool, turn: str
) -> None:
    """Each key once, whose turn it is at each call and response, or both, and nothing else
    (`docs/language.md`, "A voice"); who is to sing is told so."""
    drill = {"progression": "ii7 | V7 | I6 | %", "key_cycle": ["C", "F"], "gaps": 4, "tempo": 80,
             "line": {"kind": "roots", "instrument": instrument},
             "band": {"spoken": kind}}  # fmt: skip
    said = [word.text for word in speech(charts(drill_of(drill))[0]).words]
    assert [word for word in said if word in ("C", "F")] == ["C", "F"] * keys
    turns = [word for word in said if word in ("listen", "play", "sing")]
    assert turns == (["listen", turn] * 2 if turn else [])
    assert len(said) == 2 * keys + len(turns)


def test_a_box_stands_as_far_from_its_words_on_every_side() -> None:
    """The name of a key on a sheet: a letter more makes its box a letter wider, and no more."""
    found = []
    for text in ("F", "Gb", "B major"):
        drawing = Drawing(5000)
        drawing.words(Words(text, 300, boxed=True))
        box, words = (
            {k: e.get(k, "0") for k in ("x", "width", "height")} for e in drawing.elements
        )
        inset = float(words.get("x", "")) - float(box.get("x", ""))
        assert float(box.get("height", "")) == 300 + 2 * inset
        found.append((len(text), float(box.get("width", "")) - 2 * inset))
    letter = found[0][1]
    assert 0.4 * 300 < letter < 0.7 * 300
    assert all(width == pytest.approx(count * letter) for count, width in found)


@pytest.mark.parametrize(
    ("feel", "swing", "said"),
    [("swing", 1, "Swing (straight eighths)"), ("swing", 1.5, "Swing"),
     ("bossa nova", 1, "Bossa nova (straight eighths)"),
     ("bossa nova", 1.5, "Bossa nova (swing eighths)")],
)  # fmt: skip
def test_a_sheet_says_how_eighths_are_meant(feel: str, swing: float, said: str) -> None:
    """Beside the feel's name, where that does not tell: whatever is longer than its second half
    swings (common practice)."""
    mark = tempo_mark(heard(feel=feel, swing=swing).score.chart)
    assert mark.feel == said and (mark.swing is not None) is (swing > 1)


def test_presets_stand_under_their_groups(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each group is named once, before its presets; lessons are the first."""
    groups = {"one": "a", "two": "a", "three": "b", "four": LESSONS}
    found = [SimpleNamespace(group=groups[name], name=name, title="Any") for name in groups]
    monkeypatch.setattr("drillgen.drill.files.list_presets", lambda: found)
    monkeypatch.setattr(checking, "_facts", lambda _: "any")
    said = CliRunner().invoke(main, ["presets", "list"]).output
    first = [line.split()[0] for line in said.split("\n") if line]
    assert first == [LESSONS, "four", "a", "one", "two", "b", "three"]


def test_one_soundfont_is_marked() -> None:
    """`soundfonts` sets an arrow before the one that it says will be used, and before no other."""
    said = CliRunner().invoke(main, ["soundfonts"]).output
    marked = [line[2:] for line in said.split("\n") if line.startswith("→ ")]
    used = next(line for line in said.split("\n") if " will be used" in line)
    assert marked and all(used.startswith(f"{name} will be used") for name in marked)


class Terminal(StringIO):
    def isatty(self) -> bool:
        return True


def test_a_bar_that_is_done_is_full(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half the work is 50 % of the progress bar, all of it 100 %."""
    said = Terminal()
    monkeypatch.setattr("sys.stderr", said)
    with ProgressBar(quiet=False) as report:
        report(0.5, "one")
        report(1.0, "two")
    shown = re.findall(r"(\d+)%", said.getvalue())
    assert "50" in shown and shown[-1] == "100"


def test_a_bar_stays_where_nothing_was_done(monkeypatch: pytest.MonkeyPatch) -> None:
    """However often half of the work is reported, it is half."""
    said = Terminal()
    monkeypatch.setattr("sys.stderr", said)
    with ProgressBar(quiet=False) as report:
        for number in range(20):
            report(0.5, str(number))
    assert re.findall(r"(\d+)%", said.getvalue())[-1] == "50"


@pytest.mark.parametrize(
    ("mark", "what"),
    [("1", "root"), ("2", "second"), ("b3", "third"), ("4", "fourth"), ("5", "fifth"),
     ("6", "sixth"), ("b7", "seventh"), ("b9", "ninth"), ("#11", "eleventh"), ("13", "thirteenth")],
)  # fmt: skip
def test_the_page_names_the_first_note(mark: str, what: str) -> None:
    """By its degree in words, as degrees are taught (common practice)."""
    score = heard(line="roots", progression="V7").score
    part = score.part("line")
    assert part is not None
    marked = replace(part, notes=tuple(replace(note, mark=mark) for note in part.notes))
    take = Take(score.chart, Score(score.chart, (marked,)), perform(score))
    found = layout(take, Stand("x", score.chart.keys, (take,)), [], {})["keys"][0]["first"]
    assert found["what"].startswith(f"{what} of ")
