"""What is said about a drill that is wrong: of which place, what is allowed, what is nearest.

The mark ¦ stands before each place that must be named; nothing else may be complained about.
"""

from __future__ import annotations

import pytest

from drillgen.drill.lesson import load
from drillgen.drill.messages import DrillError
from drillgen.drill.models import Drill

OK = "progression: ii7 | V7 | Imaj7 | %\n"


@pytest.mark.parametrize(
    "text",
    [
        "tempo: ¦720",
        "tempo: [60, ¦20, 90, ¦fast]",
        "tempo: [60, {from: ¦3, ¦steps: 4, to: 90}]",
        "tempo: ¦{from: 60}",
        "tempo: [60, ¦60]",
        "tempo: ¦",
        "tempo: ¦yes",
        "¦tmpo: 72",
        "¦tmpo: 72\nkey: ¦H\nband:\n  bass: ¦wakling\n  drums: {¦lvel: 3}",
        "key: ¦G# major",
        "key_cycle: [C, ¦X, F, ¦h]",
        "key_cycle: ¦forths",
        "key_cycle: {start: ¦H, move: ¦0, keys: ¦99}",
        "key_cycle: ¦{start: C}",
        "key_cycle: ¦[]",
        "meter: ¦7/8",
        "meter: ¦6/8",
        "passes: ¦0",
        "passes: ¦two",
        "passes: ¦1.5",
        "swing: ¦5",
        "seed: ¦-1",
        "title: ¦''",
        "title: ¦[a]",
        'title: "a¦\\x07b"',
        'title: "a¦\\0b"',
        'title: ¦"\\u200b \\u2060"',
        'note: "Sing it.¦\\e[31m"',
        "band: ¦loud",
        "band: {bass: ¦{level: -3}}",
        "band: {comping: {register: ¦C4 to E4}}",
        "band: {comping: {pan: ¦2, density: ¦-1, level: ¦99}}",
        "count_in: ¦9",
        "count_in: {bars: ¦9, sound: ¦cowbell, starting_note: ¦maybe}",
        "line: ¦arpegio",
        "line: {kind: ¦arpegio}",
        "line: {kind: arpeggio, ¦begin_on: 3, order: [1, ¦0, 5]}",
        "line: {kind: arpeggio, order: ¦up}",
        "line: {instrument: ¦bassoon, range: ¦E1}",
        "line: {begin_on: ¦5}",
        "gaps: {call: ¦0, response: ¦many, harmony: ¦repeat}",
        "ending: ¦fade",
        "sheet: {clef: ¦bas, transpose: ¦F}",
        "tracks: ¦both",
        "key_cycle: [C, F, C]\ntracks: ¦per key",
        "line:\n  kind: guide tones\n  # a comment\n  begin_on:   ¦9   # another",
        "band: {bass: roots,\n       drums: ¦stick}",
    ],
)
def test_the_place_is_named_to_the_column(problems, text):
    """Line and column of the wrong key or value, and of every one of several."""
    problems(OK + text + "\n")


@pytest.mark.parametrize(
    "text",
    [
        "progression: ii7 | ¦X7 | Imaj7",
        "progression: Dm7 | ¦dm7 | ¦X7",
        "progression: 'Dm7 | ¦X7 | G7'",
        'progression: "Dm7 | ¦X7 | G7"',
        'progression: "E\\u266d7 | ¦X7"',
        "progression: 'Dm7 | ¦H''s | ¦X7'",
        "progression: |\n  Dm7 | G7\n  C6 | ¦X7 | A7\n  ¦H7",
        "progression: |2-   # the form\n    Dm7 | G7\n    C6   ¦X7",
        "progression: >-\n  Dm7 | G7\n  C6 | ¦X7 | A7\n\n  ¦H7",
        "progression: Dm7 | G7\n   | ¦X7\n     ¦H7",
        "progression:\n  - Dm7 | G7\n  - C6 | ¦X7\n  - '¦H7 | C6'",
        "progression: [Dm7, ¦X7, C6 ¦H7]",
        "progression:\n  A: Dm7 | ¦X7\n  B: |\n    G7 | C6\n    ¦H7\n  form: A ¦C B",
        "progression: {A: Dm7, B: [G7, ¦X7], form: [A, ¦C]}",
        "progression: ¦% | Dm7",
        "progression: Dm7 | G7 ¦%",
        "progression: Dm7 | ¦/ G7",
        "progression: Dm7 | | G7",
        "progression: ¦Dm7 / G7 | ¦Dm7 / / / G7",
        "progression: ¦Dm7 G7 C6",
        "progression: Dm7¦/ G7",
        "progression: Dm7 | G7 | ¦ii7",
        "progression:\n  A: ii7 | V7\n  B: Imaj7 | ¦Dm7",
        "progression: [ii7, V7 ¦G7]",
        "progression: {A: Dm7, form: ¦''}",
        "progression: {A: {bars: Dm7, endings: ¦[C6, G7, F6]}, form: A A}",
        "progression: {A: {bars: Dm7, endings: ¦C6}, form: A A}",
        "progression: {A: {bars: Dm7, endings: [C6, ¦X7]}, form: A A}",
        "progression: {A: {bars: Dm7, endings: [C6, F6], ¦coda: C6}, form: A A}",
        "progression: {A: ¦{bars: Dm7}, form: A A}",
        "progression: {A: {bars: Dm7 | G7, to_coda: ¦3}, coda: C6}",
        "progression: {A: {bars: Dm7 | G7, to_coda: ¦soon}, coda: C6}",
        "progression: {A: {bars: Dm7 | G7, fine: ¦3}, B: C6, form: A B A}",
        "progression: {A: {bars: Dm7 | G7, fine: ¦1}, B: C6, form: A B}",
        "progression: {A: {bars: Dm7 | G7, fine: ¦1}, form: A A}",
        "progression: {A: {bars: Dm7 | G7, fine: ¦1}, coda: C6, form: A coda}",
        "progression: {A: {bars: Dm7 | G7, to_coda: ¦1}, B: C6}",
        "progression: {A: {bars: Dm7, to_coda: 1}, B: {bars: G7, to_coda: ¦1}, coda: C6}",
        "progression: {A: {bars: Dm7, to_coda: ¦1}, B: G7, coda: C6, form: B}",
        "progression: {A: {bars: Dm7, to_coda: ¦1}, B: G7, coda: C6, form: A B coda}",
        "progression: {A: Dm7, coda: C6, form: ¦A coda A}",
        "progression: {A: Dm7, form: ¦' , '}",
        "progression: {A: Dm7, form: ¦'|'}",
        "progression: {A: Dm7, form: ¦[]}",
        'progression: {¦"A\\a": Dm7}',
        'progression: {¦"\\u200b": Dm7, B: G7}',
        'progression: {A: Dm7, ¦"": G7}',
        "progression: ¦12",
        "progression: [Dm7, ¦3]",
        "progression: ¦",
        "progression: ¦{}",
        "progression: ¦[]",
        "progression: Imaj7 | ¦#Io7 | ii7",
        "progression: ¦#IVo7 | ii7",
        "progression:\n  - Imaj7 ¦#Io7\n  - ii7",
    ],
)
def test_a_wrong_chord_is_named_to_the_column(problems, text):
    """In plain, quoted, literal and folded texts, in lists and sections."""
    if text == "progression: Dm7 | | G7":
        text = "progression: Dm7 | ¦| G7"
    if text.startswith("progression: ¦% "):
        text = "progression: |\n  ¦% | Dm7"  # YAML allows no plain text to begin with %
    problems(text + "\n")


def test_a_problem_is_formatted_like_a_compilers(tmp_path):
    """file:line:column, the key, the value, what is allowed, then the line with a caret."""
    path = tmp_path / "blues.yaml"
    path.write_text(OK + "tempo:   720\n", "utf-8")
    with pytest.raises(DrillError) as caught:
        load(path)
    first, line, caret = str(caught.value).split("\n")
    assert first.startswith(f"{path}:2:10: tempo: 720 is too fast; allowed: 30 to 360 quarter")
    assert line[caret.index("^") :] == "720"


@pytest.mark.parametrize(
    ("text", "nearest"),
    [
        ("tmpo: 72", '"tempo"'),
        ("keycycle: C", '"key_cycle"'),
        ("band: {bas: roots}", '"bass"'),
        ("band: {bass: wakling}", '"walking"'),
        ("line: {kind: guide tone}", '"guide tones"'),
        ("line: {insturment: piano}", '"instrument"'),
        ("line: {kind: arpeggio, oder: 135}", '"order"'),
        ("gaps: {respnse: 4}", '"response"'),
        ("key: bb", '"Bb"'),
        ("key_cycle: forths", '"fourths"'),
        ("feel: swng", '"swing"'),
        ("count_in: {sound: stick}", '"sticks"'),
        ("sheet: {shw: line}", '"show"'),
        ("gaps: {answer: 4}", '"response"'),
        ("key_cycle: C F Bb", "[C, F, Bb]"),
    ],
)
def test_the_nearest_match_is_offered(read, text, nearest):
    """A slip of the pen gets the word that was meant."""
    with pytest.raises(DrillError) as caught:
        read(OK + text + "\n")
    (problem,) = caught.value.problems
    assert problem.nearest == nearest
    assert f"did you mean {nearest}?" in str(problem)


def test_no_words_of_the_libraries_are_shown(read):
    """Nothing said mentions the validating library, its types or its pages."""
    keys = [field.alias or name for name, field in Drill.model_fields.items()]
    keys.remove("progression")
    for wrong in ("{a: {b: c}}", "[[]]", "true", "1e99", "''"):
        text = OK + "".join(f"{key}: {wrong}\n" for key in keys)
        with pytest.raises(DrillError) as caught:
            read(text)
        said = str(caught.value).lower().replace("dictation", "")  # a word of the language
        for jargon in ("pydantic", "http", "validation", "input_type", "dict", "ruamel", "value_"):
            assert jargon not in said


def test_problems_come_in_the_order_of_the_file(read):
    """Several problems are sorted by place."""
    with pytest.raises(DrillError) as caught:
        read("swing: 9\nzzz: 1\nprogression: X\npasses: 0\nkey: H\n")
    assert [problem.line for problem in caught.value.problems] == [1, 2, 3, 4, 5]


@pytest.mark.parametrize(
    "text",
    [
        "just some words\nand more of them\n",
        "- eggs\n- milk\n",
        "from: the office\nto: everybody\nsubject: the heating\n",
        '{"name": "x", "version": 1, "dependencies": {}}',
        "title: a letter\ndate: today\nsigned: me\n",
    ],
)
def test_what_is_no_drill_at_all_gets_one_message(read, text):
    """A file of another sort is told what a drill looks like, once, and not a line each."""
    with pytest.raises(DrillError, match=r"is no drill; .*progression: ii7") as caught:
        read(text)
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize("text", ["progresion: ii7\ntempoo: 3\n", "chords: ii7\ntmpo: 60\n"])
def test_a_drill_with_slips_of_the_pen_is_still_one(read, text):
    """What looks like a drill gets each of its problems, with the nearest key."""
    with pytest.raises(DrillError) as caught:
        read(text)
    assert len(caught.value.problems) >= 2


@pytest.mark.parametrize(
    ("text", "forms"),
    [
        ("gaps: call", ("1 to 64 bars", "none", "{call: 4, response: 4}")),
        ("gaps: 0", ("1 to 64 bars", "none", "{call: 4, response: 4}")),
        ("gaps: [4]", ("1 to 64 bars", "none", "{call: 4, response: 4}")),
        ("drop_outs: 2", ("3 to 64 bars", "none", "{every: 8, bars: 2}")),
        ("drop_outs: often", ("3 to 64 bars", "none", "{every: 8, bars: 2}")),
    ],
)
def test_every_form_that_is_allowed_is_said(read, text, forms):
    """A value that is written in several ways is told all of them (docs/language.md)."""
    with pytest.raises(DrillError) as caught:
        read(f"progression: ii7\n{text}\n")
    [problem] = caught.value.problems
    assert all(form in problem.allowed for form in forms)
