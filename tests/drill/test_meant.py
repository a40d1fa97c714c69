"""What careful beginners write, and whether the message says what they meant."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drillgen.drill.lesson import load
from drillgen.drill.messages import DrillError
from drillgen.drill.sheet import INSTRUMENTS
from tests.conftest import Run
from tests.drill.conftest import SHORTEST
from tests.rows import with_each


def said(read, text):
    with pytest.raises(DrillError) as caught:
        read(text)
    return caught.value.problems


@with_each("text", ["line: none of it", "line: {kind: quiet}", "line: silence"])
def test_a_line_may_be_off_and_the_list_says_so(read, text):
    """What is allowed for a line includes off, as the language's table does."""
    (problem,) = said(read, SHORTEST + text + "\n")
    assert problem.allowed.split(", ")[-1] == "off"
    assert read(SHORTEST + "line: off\n").line is None


@with_each(
    ("text", "word"),
    [
        ("sheet: {clef: x}", "none"),
        ("sheet: {transpose: F}", "none"),
        ("sheet: {instrument: x}", "none"),
        ("band: {bass: x}", "off"),
    ],
)
def test_off_is_in_every_list_where_it_may_stand(read, text, word):
    """What leaves a thing out is among what is allowed, by the word that the language's table has
    for it alone; the other word is read, too."""
    (problem,) = said(read, SHORTEST + text + "\n")
    assert {"off", "none"} & set(problem.allowed.split(", ")) == {word}
    for each in ("off", "none"):
        read(SHORTEST + re.sub(r": \w+}", f": {each}}}", text) + "\n")


def test_a_missing_file_is_not_taken_for_the_lesson_or_for_any_other(tmp_path):
    """A drill's file that is missing is compared by name, not by ending, and never with the lesson
    that asks for it."""
    for name in ("m9.yaml", "slow-blues.yaml"):
        (tmp_path / name).write_text(SHORTEST, "utf-8")
    lesson = tmp_path / "lesson.yaml"
    expected = {"my-blues": "", "nope": "", "lesson1": "", "slow-blue": '"slow-blues.yaml"'}
    for asked, near in expected.items():
        lesson.write_text(f"drills: [{asked}.yaml]\n", "utf-8")
        with pytest.raises(DrillError) as caught:
            load(lesson)
        (problem,) = caught.value.problems
        assert problem.nearest == near, asked


def test_another_ending_is_offered(tmp_path):
    """The same name with the other ending of YAML files is near."""
    (tmp_path / "blues.yaml").write_text(SHORTEST, "utf-8")
    with pytest.raises(DrillError, match=r'did you mean "blues\.yaml"'):
        load(tmp_path / "blues.yml")


@with_each(
    ("chord", "says", "near"),
    [
        ("Fis7", "Fis is F# here", "F#7"),
        ("Es7", "Es is Eb here", "Eb7"),
        ("H7", "H is B here (and German B is Bb)", "B7"),
        ("hm7", "h is B here", "Bm7"),
        ("As", "As is Ab here", "Ab"),
        ("Cism7", "Cis is C# here", "C#m7"),
        ("Solm7", "Sol is G here", "Gm7"),
        ("Sib7", "Sib is Bb here", "Bb7"),
        ("Ré7", "Ré is D here", "D7"),
        ("C/H", "H is B here", "C/B"),
        ("Fis7/Cis", "Fis is F# here, Cis is C# here", "F#7/C#"),
    ],
)
def test_chords_in_other_languages_are_told_their_names_here(problems, chord, says, near):
    """German and Romance names (common practice: H is B natural, -is sharp, -es flat; Do is C)."""
    mark = chord.replace("/H", "/¦H") if chord == "C/H" else f"¦{chord}"
    (problem,) = problems(f"progression: C7 | {mark}\n")
    assert says in problem.message
    assert problem.nearest == f'"{near}"'


@with_each(
    ("key", "says", "near"),
    [
        ("H", "H is B here (and German B is Bb)", ["B"]),
        ("F-Dur", "F-Dur is F major here", ["F major"]),
        ("c-Moll", "c-Moll is C minor here", ["C minor"]),
        ("B moll", "German B is Bb here, German H is B", ["Bb minor", "B minor"]),
        ("fis moll", "F# minor here", ["F# minor"]),
        ("Gis", "Gis is G# here", ["Ab"]),
        ("Do", "Do is C here", ["C"]),
        ("Si bémol mineur", "Bb minor here", ["Bb minor"]),
        ("sol minore", "G minor here", ["G minor"]),
        ("B flat", "B flat is Bb here", ["Bb"]),
    ],
)
@with_each("where", ["key: {}", "key_cycle: {}", "key_cycle: [C, {}]"])
def test_keys_in_other_languages_are_told_their_names_here(read, key, says, near, where):
    """In a key or a cycle; a German B with a German mode may mean either, and both are offered.
    G# major would need eight sharps, so it is Ab.  Each that is offered can be read."""
    (problem,) = said(read, SHORTEST + where.format(key) + "\n")
    assert says in problem.message
    assert problem.nearest == " or ".join(f'"{each}"' for each in near)
    for each in near:
        read(SHORTEST + where.format(each) + "\n")


def test_a_note_of_a_range_is_told_its_name_here(read):
    """H1 is B1 (German)."""
    (problem,) = said(read, SHORTEST + "line: {kind: roots, range: H1 to H3}\n")
    assert "H is B here" in problem.message


@with_each("chords", ["Dm7 G7 Cmaj7", "Dm7, G7, Cmaj7"])
def test_three_chords_without_bar_lines_are_told_of_bar_lines(read, chords):
    """Bars are divided by |: said with the drill's own chords, and both ways that are offered can
    be read."""
    (problem,) = said(read, f"progression: {chords}\n")
    bars, beats = re.fullmatch(
        r"bars divided by \|.*?: (.*); or beats said with /, 4 in all: (.*)", problem.allowed
    ).groups()
    assert ("commas" in problem.allowed) == ("," in chords)
    texts = [[slot.symbol.text for bar in read(f"progression: {way}\n").progression.bars
              for slot in bar.slots] for way in (bars, beats)]  # fmt: skip
    assert texts == [["Dm7", "G7", "Cmaj7"]] * 2
    assert len(read(f"progression: {bars}\n").progression.bars) == 3


@with_each("bars", ["¦ii7, V7, Imaj7, VI7", "¦Dm7, G7", "C6 | ¦Dm7, G7"])
def test_commas_divide_nothing(problems, read, bars):
    """Nor do they where as many chords could share a bar: each way that is offered can be read."""
    (problem,) = problems(f"progression: {bars}\n")
    for way in problem.allowed.split("; or "):
        read(f"progression: {way.partition(': ')[2]}\n")


@with_each(
    "text",
    ["Dm7 ¦- G7 - Cmaj7", "Dm7 ¦-> G7 -> Cmaj7", "Dm7¦,G7,Cmaj7", "Dm7 ¦– G7 – Cmaj7", "ii7¦-V7-I"],
)
def test_other_signs_between_chords_are_told_of_bar_lines(problems, read, text):
    """Said once, with the same chords as they are written here."""
    (problem,) = problems(f"progression: {text}\n")
    assert "bars by |" in problem.message
    assert len(read(f"progression: {problem.allowed}\n").progression.bars) == 3


@with_each("text", ["'|¦: Dm7 | G7 :|'", "|¦: Dm7 | G7 :|", "Dm7 | G7 ¦:|", "'|¦:Dm7 | G7:|'"])
def test_repeat_signs_are_not_known(problems, text):
    """In quotes and without: what stands in their place is said, once."""
    (problem,) = problems(f"progression: {text}\n")
    assert "repeat signs are not known" in problem.message
    assert "%" in problem.allowed and "passes" in problem.allowed


def test_minus_and_commas_inside_chords_stay(read):
    """C-7 is a minor seventh chord, C7(b9,#11) has two alterations: neither divides anything."""
    assert len(read("progression: C-7 | D-7b5 | C7(b9,#11)\n").progression.bars) == 3


@with_each("text", ["F7 | F ¦#m7b5 | Bb7", "F7 | Bb7 | ¦#Fm7b5", "F7 | ¦#7", "F7 ¦#to C | C7"])
def test_a_sharp_that_hides_chords_is_seen(problems, text):
    """A # after a space, and chords or bars behind it: YAML would leave them out without a word."""
    (problem,) = problems(f"progression: {text}\n")
    assert "comment" in problem.message and "♯" in problem.allowed


@with_each("comment", ["# turnaround", "#blues", "#see page 4", "# a | b", "#"])
def test_a_comment_after_the_chords_is_one(read, comment):
    """What hides nothing is left alone."""
    assert len(read(f"progression: F7 | Bb7 {comment}\n").progression.bars) == 2


@with_each(
    ("text", "says", "allowed"),
    [
        ("title: Foo¦: bar", "in quotes", 'title: "Foo: bar"'),
        ("drills:\n  - title: One¦: two", "in quotes", 'title: "One: two"'),
        ("{title: Foo¦: bar}", "quotes", ""),
        ("band: ¦{bass: roots\ntempo: 80\nline: {kind: roots}", "mapping is not closed", ""),
        ("key_cycle: ¦[C, F\nkey: C", "list is not closed", "[a, b, c]"),
        ("key_cycle: ¦[C, F}\nkey: C", "list is not closed", "[a, b, c]"),
        ("line: {kind: riff, notes: 1:q b3 ¦#4 5}\nkey: C", "comment", "quotes"),
        ("line: {kind: riff, notes: 1:q b3 ¦#4 5}\ngaps: {call: 4}", "comment", "quotes"),
        ("band: {bass: roots, # the bass\n  drums: sticks¦: 3}", "comma", ""),
        ("title: ¦'open\ntempo: 3", "quotation mark", ""),
        ('title: "Foo" ¦bar', "has ended", "quotes"),
        ("key_cycle: ¦]", "not opened", ""),
    ],
)
def test_yaml_is_explained_where_it_went_wrong(problems, text, says, allowed):
    """At the opening bracket, the colon, or the # that hides the rest, with what helps."""
    (problem,) = problems(text + "\n")
    assert says in problem.message
    assert allowed in problem.allowed


def test_a_colon_on_a_line_indented_differently_is_still_called_that(problems):
    """Where the colon before it is another line's, quotes would not help."""
    (problem,) = problems("band: roots\n  bass¦: x\n")
    assert "indented" in problem.message


def test_a_comma_in_braces_is_explained(problems):
    """{notes: 1:q 5,:e} ends its text at the comma (YAML 1.2, 7.4)."""
    (problem,) = problems(SHORTEST + "line: {kind: riff, notes: 1:q 5,:¦e 4}\n")
    assert "comma" in problem.message and "quotes" in problem.allowed


@with_each(
    ("text", "near"),
    [
        ("¦progresion: ii7 | V7", "progression"),
        ("¦chords: ii7 | V7", "progression"),
        ("¦changes: ii7 | V7\ntempo: 60", "progression"),
        ("progression: ii7\nline: {kind: riff, ¦noets: 1}", "notes"),
        ("progression: ii7\n¦bpm: 60", "tempo"),
        ("progression: ii7\n¦key_signature: C", "key"),
        ("progression: ii7\n¦time_signature: 4/4", "meter"),
        ("progression: ii7\n¦style: swing", "feel"),
        ("progression: ii7\nband: {bass: {kind: roots, ¦volume: 3}}", "level"),
    ],
)
def test_a_key_by_another_name_is_one_error(problems, text, near):
    """A misspelt key, or one by another name, is not said to be missing as well."""
    (problem,) = problems(text + "\n")
    assert problem.nearest == f'"{near}"'


def test_a_range_from_high_to_low_is_told_so(read):
    """The low note stands first; turned round it can be read."""
    (problem,) = said(read, SHORTEST + "line: {kind: roots, range: G3 to E1}\n")
    assert "low one stands first" in problem.message
    assert problem.nearest == '"E1 to G3"'
    read(SHORTEST + f"line: {{kind: roots, range: {problem.nearest}}}\n")


@with_each("word", ["true", "yes", "on"])
def test_fingerings_can_be_on(read, word):
    """As every other yes or no of the language."""
    assert read(SHORTEST + f"sheet: {{fingering: {word}}}\n").sheet.fingering is not None


@with_each("word", ["false", "no", "off", "none"])
def test_fingerings_can_be_off(read, word):
    """The same the other way."""
    assert read(SHORTEST + f"sheet: {{fingering: {word}}}\n").sheet.fingering is None


@with_each("key", ["gaps", "drop_outs", "count_in", "line", "key_change"])
def test_what_is_left_out_can_be_said_in_any_way(read, key):
    """`no` is what `none`, `off` and false are, wherever something may be left out."""
    drills = [read(SHORTEST + f"{key}: {word}\n") for word in ("no", "none", "off", "false")]
    assert len({str(getattr(drill, key)) for drill in drills}) == 1


def test_what_is_no_fingering_is_told_true_and_false(read):
    """The short forms are said first, then the mapping."""
    (problem,) = said(read, SHORTEST + "sheet: {fingering: maybe}\n")
    assert problem.allowed.startswith("true, false, or a mapping")


@with_each(
    ("text", "meant"),
    [("line: walking bass", '"walking"'), ("positions: first position", '"first"'),
     ("feel: medium swing", '"swing"')],
)  # fmt: skip
def test_a_known_word_among_others_is_meant(read, text, meant):
    """What players say with a word more is answered with the word that is known here."""
    (problem,) = said(read, SHORTEST + text + "\n")
    assert problem.nearest == meant


@with_each(
    ("chord", "meant"),
    [("C^7", "Cmaj7"), ("C^", "Cmaj7"), ("F#halfdim", "F#m7b5"), ("D-moll7", "Dm7"),
     ("Eb-Dur", "Eb"), ("I^7", "Imaj7")],
)  # fmt: skip
def test_qualities_said_in_words_get_the_lead_sheets_own(read, chord, meant):
    """A caret stands for the triangle of a major seventh, and never is a minor one near (common
    practice); German and English words are answered with the usual letters."""
    (problem,) = said(read, f'progression: ["{chord}"]\n')[:1]
    assert problem.nearest == f'"{meant}"'


def test_the_docs_list_every_instrument():
    """The table of the language names each instrument that a line can have."""
    language = (Path(__file__).parents[2] / "docs" / "language.md").read_text("utf-8")
    (row,) = (line for line in language.splitlines() if line.startswith("| `line` |"))
    assert set(re.findall(r"`([^`]+)`", row)) >= set(INSTRUMENTS)


def test_the_command_says_it_without_a_traceback(drillgen: Run, tmp_path):
    """Exit code 2, one message, the place under a caret."""
    path = tmp_path / "drill.yaml"
    path.write_text("progression: Fis7 | H7\n", "utf-8")
    done = drillgen("check", path)
    assert done.returncode == 2
    assert "Fis is F# here" in done.stderr and "H is B here" in done.stderr
    assert "Traceback" not in done.stderr


@with_each(
    ("tempo", "near"),
    [
        ("72 bpm", ["72"]),
        ("60-80", ["{from: 60, to: 80}", "60, 80"]),
        ("60 to 80", ["{from: 60, to: 80}", "60, 80"]),
        ("1-2-3", []),
        ("slow", []),
    ],
)
def test_a_tempo_in_words(read, tempo, near):
    """A number with a unit is that number; two are a climb, or two tracks."""
    (problem,) = said(read, SHORTEST + f"tempo: {tempo}\n")
    assert problem.nearest == " or ".join(f'"{each}"' for each in near)
    for each in near:
        read(SHORTEST + f"tempo: {each}\n")
