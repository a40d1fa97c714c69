"""Texts that a person writes as they like: what they may hold, and numbers among them.

Which signs a sheet can hold is judged by an XML parser (XML 1.0, section 2.2).
"""

from __future__ import annotations

import json
import unicodedata
from xml.parsers import expat

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.drill.messages import DrillError
from drillgen.drill.reader import drill_of, parse_drill
from tests.conftest import Run
from tests.rows import with_each

OK = "progression: ii7 | V7 | Imaj7 | %\n"
SIGNS = st.sampled_from([*map(chr, range(0x100)), "\u200b", "\u2028", "\ufeff", "\ufffe", "\uffff"])
TEXT = st.lists(SIGNS, min_size=1, max_size=4).map("".join)


def is_xml(text: str) -> bool:
    marked = text.replace("&", "&amp;").replace("<", "&lt;")
    try:
        expat.ParserCreate().Parse(f"<a>{marked}</a>".encode(), True)
    except expat.ExpatError:
        return False
    return True


@with_each("key", ["title", "note", "progression"])
@given(text=TEXT)
def test_every_text_can_be_printed(key, text):
    """What is accepted is XML, has no control sign for a terminal and something to be read; what
    is made of printable signs is accepted, in titles, notes and names of sections."""
    value = {text: "ii7 | V7"} if key == "progression" else text
    try:
        drill = drill_of({"progression": "ii7", key: value})
    except DrillError:
        assert not text.isprintable() or not text.strip()
        return
    read = drill.progression.bars[0].section if key == "progression" else getattr(drill, key)
    assert is_xml(read)
    assert not {unicodedata.category(sign) for sign in read} & {"Cc", "Zl", "Zp"}
    assert key == "note" or set(read) - set("\u200b\ufeff \t\xa0")


@with_each("sign", ["\\0", "\\a", "\\e", "\\x0B", "\\x1F", "\\x9B", "\\uFFFE"])
@with_each("key", ["title", "note"])
def test_a_control_sign_is_named(key, sign):
    """By its number (as YAML's escape means it, 1.2, section 5.7), at its column."""
    with pytest.raises(DrillError) as caught:
        parse_drill(f'{OK}{key}: "so{sign}ng"\n')
    (problem,) = caught.value.problems
    meant = ord(
        {"\\0": "\0", "\\a": "\a", "\\e": "\x1b"}.get(sign) or json.loads(f'"{_json(sign)}"')
    )
    assert f"U+{meant:04X}" in problem.message
    assert (problem.line, problem.column) == (2, len(key) + 6)


def _json(sign: str) -> str:
    return sign.replace("\\x", "\\u00")


def test_a_note_of_nothing_seen_is_none():
    """A note may be empty, and so is one of signs without room."""
    assert parse_drill(OK + 'note: "\\u200b \\u2060"\n').note == ""


def test_no_message_carries_a_control_sign(drillgen: Run, tmp_path):
    """A terminal that is shown a wrong value, key or line obeys nothing in it."""
    path = tmp_path / "drill.yaml"
    for text in (
        'feel: "\\e[31mswing"',
        '"\\e[31m": 3',
        'band: {"\\x9b31m": 3}',
        'title: "a\\eb"',
        "title: a\x1b[31mb",
        'key_cycle: ["C\\n\\e"]',
    ):
        path.write_text(f"{OK}{text}\n", "utf-8")
        done = drillgen("check", path)
        assert done.returncode == 2 and f"{path}:2:" in done.stderr
        assert done.stderr.replace("\n", "").isprintable(), text


@with_each("number", ["007", "1.50", "1e3", "1e999", "-0", "+5", ".5", "12"])
def test_a_number_is_taken_as_it_looks(number):
    """In a title and a note, written in the file, in a lesson's defaults or by an option."""
    from drillgen.drill.reader import Override

    drill = parse_drill(f"{OK}title: {number}\nnote: &same {number}\n")
    assert (drill.title, drill.note) == (number, number)
    option = Override("title", number, f"--set title={number}")
    assert parse_drill(OK, overrides=[option]).title == number
