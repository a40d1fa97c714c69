"""Files that are no drills: one clear sentence, never a traceback."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drillgen.drill.lesson import load
from drillgen.drill.messages import DrillError
from drillgen.drill.reader import Override, drill_of

OK = "progression: ii7 | V7 | Imaj7 | %\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("# only a comment\n", "empty"),
        ("¦- ii7\n- V7\n", "no drill"),
        ("¦just words\n", "no drill"),
        ("tempo: 72\n¦tempo: 80\n", "twice, first in line 1"),
        ("title: a\n¦progression |\n  ii7 | V7\n", "colon"),
        ('title: ¦"a \\ud83d"\n', "half"),
        ('¦"\\ud83d": a\n', "half"),
        ('title: "a \\u¦26"\n', "cut short"),
        ("tempo: ¦? 66\n", "quotes"),
        ("band: ¦- sticks\n", "list"),
        ("tempo: ¦, 66\n", "no value"),
        ("gaps: {call: 1, ¦#response: 1}\n", "comment"),
        ("band: {bass: roots, ¦bass: off}\n", "twice"),
        ("line:\n¦\tkind: roots\n", "tab"),
        ("progression: | ¦Dm7 | G7\n", "quoted"),
        ("progression: ¦% | Dm7\n", "quoted"),
        ("a: b¦: c\n", "colon"),
        ("title: ¦'open\n", "quotation mark"),
        ("title: ¦*nobody\n", "alias"),
        ("title: ¦!secret x\n", "means nothing"),
        ("title: &a [¦*a]\n", ""),
        ("title: a\n¦---\ntitle: b\n", "second document"),
        ("¦[a]: b\n", "key must be a word"),
        ("title: bad\a bell\n", "U+0007"),
        ("[" * 1000, "deep"),
        ("a: " + "[" * 400 + "]" * 400 + "\n", ""),
        ("x" * 300_000, "characters"),
    ],
)
def test_yaml_that_cannot_be_read(read, text, said):
    """Broken YAML is explained at its place."""
    plain = text.replace("¦", "")
    with pytest.raises(DrillError) as caught:
        read(plain)
    (problem, *_) = caught.value.problems
    assert said in str(caught.value)
    if "¦" in text and said:
        before = text[: text.index("¦")]
        assert (problem.line, problem.column) == (
            before.count("\n") + 1,
            len(before) - before.rfind("\n"),
        )


@pytest.mark.parametrize("what", ["title", "note"])
def test_a_sign_in_two_escapes(read, what):
    """JSON writes a sign beyond U+FFFF as two escapes (RFC 8259, section 7): read as that sign,
    with the places behind it right."""
    text = OK + what + r': "\ud83d\ude00"' + "\n"
    assert getattr(read(text), what) == "\N{GRINNING FACE}"
    with pytest.raises(DrillError) as caught:
        read(r'progression: "\ud83d\ude00 | ii7 | H9x"')
    assert [problem.column for problem in caught.value.problems] == [15, 36]


def test_of_very_many_problems_the_first_are_said(read):
    """A file of 500 unknown keys has every problem in the error, and few in its words."""
    with pytest.raises(DrillError) as caught:
        read(OK + "".join(f"key{number}: 1\n" for number in range(500)))
    assert len(caught.value.problems) == 500
    assert str(caught.value).count("is not a key of a drill") == 25
    assert "… and 475 more" in str(caught.value)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names")
def test_what_might_never_end_is_no_drill(tmp_path):
    """A pipe that nobody writes to and a device are refused at once."""
    os.mkfifo(tmp_path / "pipe.yaml")
    for path in (tmp_path / "pipe.yaml", Path("/dev/zero")):
        with pytest.raises(DrillError, match="pipe or a device"):
            load(path)


@pytest.mark.parametrize("setting", ["key=\udcff", "line=\udcff", "progression.\udcff=ii7"])
def test_half_a_sign_in_an_option(setting):
    """What a terminal hands over that is no UTF-8 (surrogates in Python, PEP 383) is refused."""
    path, _, text = setting.partition("=")
    with pytest.raises(DrillError, match="half"):
        drill_of({"progression": "ii7"}, [Override(path, text, f"--set {setting}")])


def test_aliases_cannot_explode(read):
    """Nested aliases (ten levels of ten) are refused at once instead of filling the memory."""
    levels = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    levels += [
        f"a{level}: &a{level} [{', '.join([f'*a{level - 1}'] * 10)}]" for level in range(1, 11)
    ]
    with pytest.raises(DrillError, match="too many values"):
        read("\n".join(levels) + "\n")


def test_plain_aliases_work(read):
    """An anchor and its alias mean the same chords."""
    drill = read("progression: {A: &a ii7 | V7, B: *a}\n")
    assert len(drill.progression.bars) == 4


def test_words_that_older_yaml_takes_for_booleans(read):
    """YAML 1.2 (core schema, 10.3.2): off and no are words; 1:30 is no number."""
    assert read(OK + "title: no\nnote: 'off'\n").title == "no"
    with pytest.raises(DrillError, match='"1:30" is no tempo'):
        read(OK + "tempo: 1:30\n")


def test_windows_and_old_mac_line_ends_and_a_mark_at_the_start(tmp_path):
    """CRLF, CR and a byte-order mark are read, and lines are still counted."""
    for ending in ("\r\n", "\r"):
        path = tmp_path / "drill.yaml"
        text = "progression: |\n  ii7 | V7\n  Imaj7 | %\ntempo: 20\n".replace("\n", ending)
        path.write_bytes(b"\xef\xbb\xbf" + text.encode())
        with pytest.raises(DrillError) as caught:
            load(path)
        assert [(p.line, p.column) for p in caught.value.problems] == [(4, 8)]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"\x00\x01\x02", "not text"),
        (b"progression: \xff\xfe\n", "UTF-8"),
        ("progression: ii7".encode("utf-16"), "not text"),
        (b"x" * 2_000_000, "too long"),
    ],
)
def test_files_that_are_no_text(tmp_path, content, said):
    """Binary files, other encodings and huge files are named as such."""
    path = tmp_path / "drill.yaml"
    path.write_bytes(content)
    with pytest.raises(DrillError, match=said):
        load(path)


def test_files_that_are_not_there(tmp_path):
    """A missing file names its near neighbour; a folder is no file; nor is an impossible name."""
    (tmp_path / "blues.yaml").write_text(OK, "utf-8")
    with pytest.raises(DrillError, match=r'no such file; did you mean "blues\.yaml"'):
        load(tmp_path / "bluse.yaml")
    with pytest.raises(DrillError, match="folder"):
        load(tmp_path)
    for name in ("a\0b.yaml", "x" * 5000 + ".yaml", "/"):
        with pytest.raises(DrillError):
            load(name)
