"""Progressions in every form: which chord stands where, and for how long (common practice)."""

from __future__ import annotations

import pytest
from quicktions import Fraction


def written(drill):
    """Bars as lists of (symbol, quarter notes)."""
    return [
        [(str(getattr(slot.symbol, "text", "N.C.")), slot.duration) for slot in bar.slots]
        for bar in drill.progression.bars
    ]


@pytest.mark.parametrize(
    ("text", "bars"),
    [
        ("Dm7", [[("Dm7", 4)]]),
        ("Dm7 G7 | C6", [[("Dm7", 2), ("G7", 2)], [("C6", 4)]]),
        ("Dm7 / / G7", [[("Dm7", 3), ("G7", 1)]]),
        ("Dm7 G7 / C6", [[("Dm7", 1), ("G7", 2), ("C6", 1)]]),
        ("C6 A7 Dm7 G7", [[("C6", 1), ("A7", 1), ("Dm7", 1), ("G7", 1)]]),
        ("C6 / / /", [[("C6", 4)]]),
        ("Dm7 | %", [[("Dm7", 4)], [("Dm7", 4)]]),
        ("Dm7 G7 | % | %", [[("Dm7", 2), ("G7", 2)]] * 3),
        ("N.C. | C6", [[("N.C.", 4)], [("C6", 4)]]),
        ("N.C. C6", [[("N.C.", 2), ("C6", 2)]]),
        ("C6 || G7 |", [[("C6", 4)], [("G7", 4)]]),
        ("'| C6 | G7 ||'", [[("C6", 4)], [("G7", 4)]]),
        ("[C6 | G7, '%']", [[("C6", 4)], [("G7", 4)], [("G7", 4)]]),
        ("[C6, G7]", [[("C6", 4)], [("G7", 4)]]),
    ],
)
def test_bars_and_shares(read, text, bars):
    """Chords share a bar evenly, or take a beat each plus one for each / that follows."""
    assert written(read(f"progression: {text}\n")) == bars


def test_eight_chords_take_an_eighth_note_each(read):
    """Two chords a beat are an eighth note each."""
    drill = read("progression: C6 C7 C6 C7 C6 C7 C6 C7\n")
    assert {slot.duration for slot in drill.progression.bars[0].slots} == {Fraction(1, 2)}


@pytest.mark.parametrize(
    ("meter", "text", "lengths"),
    [
        ("3/4", "Dm7 G7", [Fraction(3, 2), Fraction(3, 2)]),
        ("3/4", "Dm7 G7 C6", [1, 1, 1]),
        ("3/4", "Dm7 / G7", [2, 1]),
        ("5/4", "Dm7 / / G7 /", [3, 2]),
        ("2/4", "Dm7 G7", [1, 1]),
    ],
)
def test_other_meters(read, meter, text, lengths):
    """A slash is the meter's beat; two chords halve a bar of three."""
    (bar,) = read(f"progression: {text}\nmeter: {meter}\n").progression.bars
    assert [slot.duration for slot in bar.slots] == lengths
    starts = [slot.start for slot in bar.slots]
    assert starts == [sum(lengths[:index]) for index in range(len(lengths))]


@pytest.mark.parametrize(
    "text",
    [
        "progression: |\n  Dm7 | G7\n  C6 | %\n",
        "progression: |-\n  Dm7 | G7 |\n  | C6 | % |\n",
        "progression: >\n  Dm7 | G7\n  C6 | %\n",
        "progression: Dm7 | G7\n  C6 | %\n",
        "progression: 'Dm7 | G7\n\n  C6 | %'\n",
        'progression: "Dm7 | G7\n  C6 | %"\n',
        "progression: [Dm7 | G7, C6 | %]\n",
        "progression:\n  - Dm7 | G7\n  - C6\n  - '%'\n",
        "progression: {first: Dm7 | G7, last: C6 | %}\n",
        "progression: {first: [Dm7, G7], last: C6 | %, form: first last}\n",
    ],
)
def test_the_end_of_a_line_divides_bars_however_the_text_is_written(read, text):
    """Literal, folded, quoted and plain texts over several lines, lists and sections: four bars."""
    assert [bar[0][0] for bar in written(read(text))] == ["Dm7", "G7", "C6", "C6"]


@pytest.mark.parametrize("form", ["A A B A", "[A, A, B, A]", "A, A, B, A", "A | A | B | A"])
def test_sections_are_played_in_the_order_of_the_form(read, form):
    """AABA: each bar knows its section, and where one begins."""
    drill = read(f"progression:\n  A: C6 | G7\n  B: F6 | %\n  form: {form}\n")
    bars = drill.progression.bars
    assert [bar.section for bar in bars] == list("AAAABBAA")
    assert [bar.starts_section for bar in bars] == [True, False] * 4
    assert drill.progression.text == "A A B A"


def test_a_section_has_endings(read):
    """The first time a section is played with its first ending, then with its second, and from then
    on with the last; a % at an ending's beginning repeats the last bar before it."""
    text = "progression:\n  A: {bars: C6 | F6, endings: ['% | G7', C6]}\n  form: A A A\n"
    found = read(text).progression.bars
    assert [str(slot.symbol) for bar in found for slot in bar.slots] == (
        ["C6", "F6", "F6", "G7", "C6", "F6", "C6", "C6", "F6", "C6"]
    )
    assert [bar.ending for bar in found] == [0, 0, 1, 1, 0, 0, 2, 0, 0, 2]


@pytest.mark.parametrize(
    ("form", "first", "last"),
    [
        ("A B A", "C D E F G C D E", "C D E F G C A B"),  # from the last time that A is played
        ("A B A coda", "C D E F G C A B", "C D E F G C A B"),
        ("A", "C D E", "C A B"),
    ],
)
def test_a_coda(read, form, first, last):
    """Where the form does not name it, the last pass alone leaves the last of the section for it,
    else every pass does (common practice)."""
    sections = "{A: {bars: C | D | E, to_coda: 1}, B: F | G, coda: A | B"
    found = read(f"progression: {sections}, form: {form}}}\n").progression
    for is_last, names in ((False, first), (True, last)):
        bars = [found.bars[index] for index in found.played(last=is_last)]
        assert " ".join(str(bar.slots[0].symbol) for bar in bars) == names


def test_sections_without_a_form_are_played_as_written(read):
    """Without `form`, each section once, in the order written; names may be any words."""
    drill = read("progression:\n  verse 1: C6\n  2: F6\n")
    assert [bar.section for bar in drill.progression.bars] == ["verse 1", "2"]


def test_numerals_and_symbols_are_both_understood(read):
    """ii7 in Bb is Cm7 (common practice), whatever the key that symbols are written in."""
    numerals = read("progression: ii7 | V7b9\nkey_cycle: Bb\n")
    chords = [
        bar.slots[0].symbol.in_key(numerals.key_cycle[0]).text for bar in numerals.progression.bars
    ]
    assert chords == ["Cm7", "F7b9"]
    assert numerals.progression.is_numeral
    assert not read("progression: Dm7\n").progression.is_numeral


def test_lead_sheet_signs_survive_yaml(read):
    """Signs that YAML could trip over are read in a plain text: Δ, ø, ♭, (b9,#11), slash basses."""
    drill = read("progression: CΔ7 | Bø7 | E♭7 | G7(b9,#11) | F#m7 | C/E | Cm(maj7) | D-7\n")
    assert len(drill.progression.bars) == 8
    assert str(drill.progression.bars[5].slots[0].symbol.bass) == "E"
