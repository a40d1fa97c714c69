"""The drill language's parts: the band, the line, gaps and the sheet, in every form promised.

What is compared with is the language's own promise (the table of docs/language.md).
"""

from __future__ import annotations

from drillgen.drill.lines import Arpeggio, GuideTones, Roots, Walking
from tests.rows import with_each


@with_each(
    ("text", "kinds"),
    [
        ("off", "off off off off off"),
        ("none", "off off off off off"),
        ("{drums: brushes}", "brushes piano off off off"),
        (
            "{drums: off, comping: electric piano, bass: two-beat, click: two and four}",
            "off|electric piano|two-beat|two and four|off",
        ),
        ("{drums: false, comping: none, bass: walking}", "off off walking off off"),
        ("{drums: {level: -3}, bass: {kind: roots}}", "sticks piano roots off off"),
        ("{comping: vibraphone, click: beats}", "sticks vibraphone off beats off"),
        (
            "{spoken: keys and turns}",
            "sticks|piano|off|off|keys and turns",
        ),
        ("{comping: guitar}", "sticks guitar off off off"),
    ],
)
def test_band(shortest, text, kinds):
    """Each part by name, by mapping, or off; `off` stays a word as YAML 1.2 reads it."""
    expected = kinds.split("|") if "|" in kinds else kinds.split()
    assert [part.kind for _, part in shortest(f"band: {text}\n").band] == expected


def test_a_players_options(shortest):
    """Level, pan, density and register are kept; the register in sounding MIDI keys (C4 = 60)."""
    part = shortest(
        "band: {comping: {kind: piano, level: -4.5, pan: -0.3, density: 0.2, register: C3 to C5}}\n"
    ).band.comping
    assert (part.level, part.pan, part.density, part.register) == (-4.5, -0.3, 0.2, (48, 72))


@with_each(
    ("text", "line"),
    [
        ("guide tones", GuideTones()),
        ("{begin_on: 7}", GuideTones(begin_on=7)),
        (
            "{kind: guide tones, voices: both, rhythm: half}",
            GuideTones(voices="both", rhythm="half"),
        ),
        ("roots", Roots()),
        ("{kind: roots, instrument: electric}", Roots(instrument="electric")),
        ("arpeggio", Arpeggio()),
        ("{kind: arpeggio, order: 7531}", Arpeggio(order=(7, 5, 3, 1))),
        ("{kind: arpeggio, order: '3579'}", Arpeggio(order=(3, 5, 7, 9))),
        (
            "{kind: arpeggio, order: 5-1-3-7, note: triplet}",
            Arpeggio(order=(5, 1, 3, 7), note="triplet"),
        ),
        (
            "{kind: arpeggio, order: 1 3 5 9, connect: true}",
            Arpeggio(order=(1, 3, 5, 9), connect=True),
        ),
        (
            "{kind: arpeggio, order: [1, 3, 11], direction: alternating}",
            Arpeggio(order=(1, 3, 11), direction="alternating"),
        ),
        ("walking", Walking()),
        (
            "{kind: walking, beat_one: chord tone, approach: dominant, two_beat: on}",
            Walking(beat_one="chord tone", approach="dominant", two_beat=True),
        ),
        ("off", None),
        ("none", None),
        ("false", None),
        ("{kind: off}", None),
    ],
)
def test_lines(shortest, text, line):
    """Each kind of line with its options, by name or by mapping, or off."""
    assert shortest(f"line: {text}\n").line == line


@with_each("text", ["E1 to G3", "[E1, G3]"])
def test_a_range_is_sounding(shortest, text):
    """E1 to G3 are MIDI keys 28 to 55 (scientific pitch notation, C4 = 60)."""
    line = shortest(f"line: {{kind: roots, range: {text}}}\n").line
    assert line.sounding_range == (28, 55)


def test_without_a_range_the_instruments_own_is_taken(shortest):
    """The double bass goes down to its low E, MIDI key 28 (common practice)."""
    assert shortest().line.sounding_range[0] == 28
    assert shortest("line: {instrument: trumpet}\n").line.sounding_range[0] > 48


@with_each(
    ("text", "expected"),
    [
        ("{call: 2}", (2, 2, "repeats", "plays")),
        ("2", (2, 2, "repeats", "plays")),
        ("{call: 2, response: 4, harmony: continues, band: silent}", (2, 4, "continues", "silent")),
        ("{band: time}", (4, 4, "repeats", "time")),
    ],
)
def test_gaps(shortest, text, expected):
    """The response is as long as the call unless it is said."""
    gaps = shortest(f"gaps: {text}\n").gaps
    assert (gaps.call, gaps.response, gaps.harmony, gaps.band) == expected


def test_gaps_can_be_left_out(shortest):
    """`gaps: off` and `none` leave them out, and so does a drill without a line."""
    for text in ("gaps: off\n", "gaps: none\n", "gaps: false\n", "line: off\n"):
        assert shortest(text).gaps is None
    assert shortest("line: off\ngaps: 4\n").gaps.call == 4


def test_sheet(shortest):
    """What is shown, for whom and in which clef; none for concert pitch, whoever reads it."""
    sheet = shortest(
        "sheet: {show: chords, clef: tenor, transpose: Bb, fingering: true, instrument: electric}\n"
    ).sheet
    assert (sheet.show, sheet.clef, sheet.transpose, sheet.instrument) == (
        "chords",
        "tenor",
        "Bb",
        "electric",
    )
    assert sheet.fingering.strings == "four" and sheet.fingering.open_strings == "allowed"
    assert shortest("sheet: line\n").sheet.show == "line"
    plain = shortest("sheet: {transpose: none, clef: none}\n").sheet
    assert (plain.transpose, plain.clef, shortest("sheet: line\n").sheet.transpose) == (
        "none",
        None,
        None,
    )
    others = shortest("sheet: {also_for: [Bb, tenor], tablature: true, responses: empty}\n").sheet
    assert (others.also_for, others.tablature, others.responses) == (("Bb", "tenor"), True, "empty")


def test_fingering(shortest):
    """Off in every spelling; strings by name or from low to high; two solutions on request."""
    for off in ("false", "off", "none", "no"):
        assert shortest(f"sheet: {{fingering: {off}}}\n").sheet.fingering is None
    said = shortest(
        "sheet: {fingering: {strings: C1 A1 D2 G2, open_strings: avoided, solutions: two}}\n"
    ).sheet.fingering
    assert said.strings == ("C1", "A1", "D2", "G2")
    assert (said.open_strings, said.solutions) == ("avoided", "two")
