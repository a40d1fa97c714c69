"""What the command line and Python put over a drill."""

from __future__ import annotations

import pytest

from drillgen.drill.lesson import load
from drillgen.drill.messages import DrillError
from drillgen.drill.reader import Override, drill_of, parse_drill

BASE = (
    "progression: ii7 | V7 | Imaj7 | %\n"
    "tempo: {from: 60, to: 100, step: 4}\n"
    "count_in: {bars: 1, sound: hat}\n"
    "band: {drums: brushes, comping: {kind: guitar, level: -3}}\n"
    "line: {kind: guide tones, begin_on: 7, instrument: electric}\n"
    "gaps: {call: 2, response: 4, band: time}\n"
)


def over(*pairs, base=BASE):
    given = [Override(path, text, f"--set {path}={text}") for path, text in pairs]
    return parse_drill(base, "drill.yaml", given)


def test_an_option_replaces_one_value_and_keeps_its_neighbours():
    """A nested key changes alone; a player's name keeps the player's other options."""
    drill = over(("band.bass", "walking"), ("band.comping", "piano"), ("passes", "3"))
    assert (drill.band.drums.kind, drill.band.bass.kind, drill.passes) == ("brushes", "walking", 3)
    assert (drill.band.comping.kind, drill.band.comping.level) == ("piano", -3)


def test_a_tempo_replaces_a_climbing_one():
    """--tempo 72 does not climb; --tempo 60,72,84 makes three tracks; one end may change alone."""
    assert [str(tempo) for tempo in over(("tempo", "72")).tempos] == ["72"]
    assert [str(tempo) for tempo in over(("tempo", "60,72,84")).tempos] == ["60", "72", "84"]
    assert [str(tempo) for tempo in over(("tempo", "[60, 72]")).tempos] == ["60", "72"]
    assert [str(tempo) for tempo in over(("tempo.to", "80")).tempos] == ["60-80"]
    plain = "progression: ii7\ntempo: 72\n"
    assert [str(tempo) for tempo in over(("tempo.to", "90"), base=plain).tempos] == ["72-90"]


def test_another_kind_of_line_drops_the_options_of_the_first():
    """begin_on is no option of an arpeggio; the instrument belongs to every kind and stays."""
    line = over(("line", "arpeggio"), ("line.order", "7531")).line
    assert (line.kind, line.order, line.instrument) == ("arpeggio", (7, 5, 3, 1), "electric")
    assert over(("line.begin_on", "3")).line.instrument == "electric"
    assert over(("line", "off")).line is None


def test_short_forms_over_long_ones():
    """A count-in's bars keep its sound; a number of gaps is call and response at once."""
    assert over(("count_in", "3")).count_in.sound == "hat"
    gaps = over(("gaps", "3")).gaps
    assert (gaps.call, gaps.response, gaps.band) == (3, 3, "plays")
    assert over(("gaps", "off")).gaps is None
    assert over(("sheet", "chords"), ("sheet.clef", "tenor")).sheet.show == "chords"
    band = over(("band", "off"), ("band.click", "beats")).band
    assert [part.kind for _, part in band] == ["off", "off", "off", "beats", "off"]


def test_values_are_read_like_values_in_a_file():
    """Words, numbers, lists and mappings mean what they mean in YAML; a # begins no comment."""
    drill = over(
        ("key_cycle", "C,F,Bb"),
        ("title", '"72"'),
        ("progression", "#IVo7 | % "),
        ("band", "{comping: off}"),
        ("count_in.starting_note", "true"),
    )
    assert len(drill.key_cycle) == 3
    assert (drill.title, drill.count_in.starting_note) == ("72", True)
    assert len(drill.progression.bars) == 2
    assert (drill.band.comping.kind, drill.band.drums.kind) == ("off", "brushes")


@pytest.mark.parametrize(
    ("path", "text", "said"),
    [
        ("tempo", "720", "tempo: 720 is too fast"),
        ("tempo", "60,720", "tempo: 720 is too fast"),
        ("band.bass", "wakling", 'band.bass: "wakling" is not known'),
        ("band.bas", "roots", '"bas" is not a key of band'),
        ("bnd.bass", "roots", '"bnd" is not a key of a drill'),
        ("title", "", "nothing is written here"),
        ("gaps", "{call: 2", "a mapping is not closed"),
        ("progression", "ii7 | X7", 'progression: "X7" is no chord'),
        (
            "progression",
            "tune2.abc",
            "own file, a lead sheet: .musicxml, .mxl or .xml",
        ),
        ("tempo.a.b", "3", '"a" is not a key of tempo'),
        ("", "3", '"" is not a key of a drill'),
        ("band..bass", "3", 'between them: band.bass; did you mean "band.bass"?'),
        ("band.", "off", 'did you mean "band"?'),
        (".", "3", "a key is missing beside a dot"),
    ],
)
def test_a_wrong_option_is_cited_instead_of_the_file(path, text, said):
    """The option as typed stands where file, line and column would."""
    with pytest.raises(DrillError) as caught:
        over((path, text))
    (problem,) = caught.value.problems
    assert (problem.file, problem.line) == (f"--set {path}={text}", 0)
    assert str(problem).startswith(f"--set {path}={text}: ")
    assert said in str(problem)


def test_problems_of_options_and_of_the_file_are_said_together():
    """One run says what is wrong in both."""
    with pytest.raises(DrillError) as caught:
        over(("tempo", "1"), ("key", "H"), base=BASE + "swing: 9\n")
    assert {problem.file for problem in caught.value.problems} == {
        "--set tempo=1",
        "--set key=H",
        "drill.yaml",
    }


def test_values_from_python():
    """Keyword arguments take Python's own values; wrong ones are cited by name."""
    given = [
        Override.of("tempo", [60, 72]),
        Override.of("band", {"bass": "walking"}),
        Override.of("count_in__bars", 0),
    ]
    drill = load("first-two-fives", given).drills[0]
    assert (len(drill.tempos), drill.band.bass.kind, drill.count_in.bars) == (2, "walking", 0)
    with pytest.raises(DrillError, match=r"^tempo=720: tempo: 720 is too fast"):
        load("first-two-fives", [Override.of("tempo", 720)])


def test_a_drill_from_plain_data():
    """The same language without a file; without a title the progression stands for it."""
    drill = drill_of({"progression": ["ii7 | V7", "Imaj7"], "key_cycle": ("C", "F"), "tempo": 60})
    assert (drill.title, len(drill.key_cycle)) == ("ii7 | V7 | Imaj7", 2)
    with pytest.raises(DrillError, match=r"^drill: tempo: 1 is too slow"):
        drill_of({"progression": "ii7", "tempo": 1})


_DEEP: list = []
for _ in range(3000):
    _DEEP = [_DEEP]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"tempo": 10**400}, "tempo.*: the number is too large"),
        ({"seed": -(10**5000)}, "seed.*: the number is too large"),
        ({"key_cycle": {"C", "F"}}, "key_cycle.*: {'.', '.'} does not fit here; allowed: text"),
        ({"key_cycle": _DEEP}, "key_cycle.*: it is nested too deeply"),
    ],
    ids=("huge", "huger", "set", "deep"),
)
def test_data_that_no_file_can_hold(given, said):
    """From Python, too, what is wrong is told with its place, and nothing else is raised."""
    with pytest.raises(DrillError, match=said):
        drill_of({"progression": "ii7 | V7", **given})
    with pytest.raises(DrillError, match=said):
        load("first-two-fives", [Override.of(*each) for each in given.items()])
