"""The chapter on lines says what the tool does."""

from __future__ import annotations

import re

import pytest

from drillgen.drill.files import list_presets
from drillgen.drill.lines import MODELS
from drillgen.lines.kinds import WRITERS
from drillgen.theory.chords import parse_numeral
from drillgen.theory.pitch import Key
from drillgen.theory.scales import SCALES, chord_scale
from tests.lines.examples import PAGE, examples, line_of

TEXT = PAGE.read_text("utf-8")


@pytest.mark.parametrize(("drill", "expected"), examples())
def test_every_example_is_what_the_tool_writes(drill: str, expected: str) -> None:
    """The line under each drill is the line of that drill (`python -m tests.lines.examples` writes
    them anew); each was read and found right by ear and hand."""
    assert line_of(drill) == expected


@pytest.mark.parametrize("kind", MODELS)
def test_every_kind_and_every_option_stands_in_the_chapter(kind: str) -> None:
    """Each kind has a section with an example, and a row for each option of its own."""
    section = re.search(rf"\n## {kind}\n(.*?)(?=\n## |\Z)", TEXT, re.IGNORECASE | re.DOTALL)
    assert section, f"docs/lines.md: no section ## {kind.capitalize()}"
    assert "```text" in section[1], f"docs/lines.md: {kind} has no example with a `text` block"
    model = MODELS[kind]
    common = {"kind", "instrument", "range", "begin_at", "dictation"}
    names = {field.alias or name for name, field in model.model_fields.items()}
    for option in names - common:
        assert f"| `{option}` |" in section[1], f"docs/lines.md: {kind} has no row for `{option}`"


@pytest.mark.parametrize("kind", MODELS)
def test_no_kind_is_half_there(kind: str) -> None:
    """Each kind has a writer, a row in `docs/language.md`'s table of kinds, and a preset."""
    assert MODELS[kind] in WRITERS, f"WRITERS in drillgen/lines/kinds.py has no row for {kind}"
    rows = (PAGE.parent / "language.md").read_text("utf-8").partition("| kind | what it is for")[2]
    assert f"\n| `{kind}` | " in rows, f"docs/language.md: no row `{kind}` in the table of kinds"
    presets = (preset.path.read_text("utf-8") for preset in list_presets())
    named = re.compile(rf"\bline:\s*({kind}\b|\{{?\s*(.*\s)?kind: {kind}\b)")
    assert any(named.search(text) for text in presets), f"no preset has a line of the kind {kind}"


def test_the_table_of_scales_is_the_one_that_is_used() -> None:
    """Each chord of the chapter's table takes the scale beside it, in every key of that mode."""
    table = TEXT[TEXT.index("| in a major key |") :].partition("\n\n")[0]
    rows = [[cell.strip() for cell in row.split("|")[1:-1]] for row in table.split("\n")[2:]]
    for major, its, _, minor, other in rows:
        for mode, cell, scale in (("major", major, its), ("minor", minor, other)):
            for numeral in filter(None, map(str.strip, cell.split(","))):
                for tonic in ("C", "F#", "Ab"):
                    key = Key.parse(f"{tonic} {mode}")
                    chord = parse_numeral(numeral).in_key(key)
                    assert chord_scale(chord, key).name == scale.strip(), numeral
    assert len(rows) > 12
    assert all(name in TEXT.replace("\n", " ") for name in SCALES)
