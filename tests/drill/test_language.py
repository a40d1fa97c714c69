"""Every row of the drill language, in every form that it promises.

What is compared with is the language's own promise (the table of docs/language.md); facts of the
trade are common practice.
"""

from __future__ import annotations

import pytest
from quicktions import Fraction

from drillgen.drill.bars import METERS, Tempo
from drillgen.drill.lesson import load
from drillgen.theory.pitch import Key

FOURTHS = ["C", "F", "Bb", "Eb", "Ab", "Db", "Gb", "B", "E", "A", "D", "G"]


def keys(drill):
    return [key.short for key in drill.key_cycle]


def test_the_smallest_drill_is_one_line_with_a_teachers_defaults(shortest):
    """One line is a drill; everything else has the documented default."""
    drill = shortest()
    assert (drill.title, drill.note, drill.seed) == ("Drill", "", 1)  # called after its file
    assert (drill.key, drill.meter, drill.feel) == (Key.parse("C"), METERS["4/4"], "swing")
    assert keys(drill) == FOURTHS  # the circle, common practice
    assert (drill.passes, drill.swing, drill.ending, drill.tracks) == (1, None, "hold", "together")
    assert [tempo.at(1) for tempo in drill.tempos] == [80]
    assert (drill.count_in.bars, drill.count_in.sound) == (2, "sticks")
    assert [part.kind for _, part in drill.band] == ["sticks", "piano", "off", "off", "off"]
    assert (drill.line.kind, drill.line.begin_on, drill.line.instrument) == (
        "guide tones",
        3,
        "upright",
    )
    assert (drill.gaps.call, drill.gaps.response) == (4, 4)
    assert (drill.gaps.harmony, drill.gaps.band) == ("repeats", "plays")
    assert (drill.sheet.show, drill.sheet.transpose, drill.sheet.fingering) == ("both", None, None)


def test_the_example_of_the_design_is_read_as_written(read):
    """The first worked example of the language gives the drill that it describes."""
    drill = read(
        "title: Thirds and sevenths, down by whole steps\n"
        "progression: ii7 | V7 | Imaj7 | %\n"
        "key_cycle: {start: C, move: -2, keys: 6}\n"
        "tempo: 72\ncount_in: 2\nfeel: swing\n"
        "band: {drums: brushes, comping: piano, bass: roots}\n"
        "line: {kind: guide tones, begin_on: 7}\n"
        "gaps: {call: 4, response: 4}\n"
    )
    assert drill.title == "Thirds and sevenths, down by whole steps"
    assert keys(drill) == ["C", "Bb", "Ab", "Gb", "E", "D"]
    assert (drill.band.drums.kind, drill.band.bass.kind) == ("brushes", "roots")
    assert drill.line.begin_on == 7


def test_a_drill_is_a_frozen_value(shortest):
    """Drills can stand in sets, and equal texts give equal drills."""
    assert {shortest("tempo: 90\n"), shortest("tempo: 90\n")} == {shortest("tempo: 90\n")}
    assert shortest("tempo: 90\n") != shortest("tempo: 91\n")


@pytest.mark.parametrize(
    ("cycle", "expected"),
    [
        ("Bb", "Bb"),
        ("F# major", "F#"),
        ("[C, F, Bb]", "C F Bb"),
        ("C, F,Bb", "C F Bb"),
        ("fifths", "C G D A E B Gb Db Ab Eb Bb F"),
        ("chromatic up", "C Db D Eb E F Gb G Ab A Bb B"),
        ("chromatic down", "C B Bb A Ab G Gb F E Eb D Db"),
        ("whole steps down", "C Bb Ab Gb E D"),
        ("minor thirds up", "C Eb Gb A"),
        ("{start: D, move: 1, keys: 3}", "D Eb E"),
        ("{move: 4}", "C E Ab"),
        ("{start: F#, move: 2, keys: 2}", "F# Ab"),
    ],
)
def test_key_cycles(shortest, cycle, expected):
    """Each form of key cycle gives its keys, in the usual signatures (common practice)."""
    assert keys(shortest(f"key_cycle: {cycle}\n")) == expected.split()


def test_a_shuffled_cycle_has_every_key_once_and_follows_the_seed(shortest):
    """Shuffled: all twelve from the drill's key; the same seed gives the same order."""
    first, again, other = (
        keys(shortest(f"key_cycle: shuffled\nseed: {seed}\n")) for seed in (7, 7, 8)
    )
    assert first == again != other
    assert first[0] == "C"
    assert sorted(first) == sorted(keys(shortest("key_cycle: fourths\n")))


def test_minor_stays_minor(shortest):
    """In a drill in minor, keys of the cycle without a mode are minor, written ones as written."""
    assert keys(shortest("key: F minor\n"))[:3] == ["Fm", "Bbm", "Ebm"]
    assert keys(shortest("key: F minor\nkey_cycle: [F, Gm, Eb major]\n")) == ["Fm", "Gm", "Eb"]
    assert keys(shortest("key: Cm\nkey_cycle: {start: D, move: 2, keys: 2}\n")) == ["Dm", "Em"]


@pytest.mark.parametrize(
    ("meter", "beats", "beat", "bar"),
    [("4/4", 4, 1, 4), ("3/4", 3, 1, 3), ("2/4", 2, 1, 2), ("5/4", 5, 1, 5)],
)
def test_meters(shortest, meter, beats, beat, bar):
    """Simple meters count quarter notes."""
    read = shortest(f"meter: {meter}\n").meter
    assert (read.text, read.beats, read.beat, read.bar) == (meter, beats, beat, bar)


@pytest.mark.parametrize(("text", "beats", "bar"), [("6/8", 2, 3), ("12/8", 4, 6)])
def test_compound_meters_count_dotted_quarters(text, beats, bar):
    """In 6/8 and 12/8 the beat is the dotted quarter (common practice)."""
    meter = METERS[text]
    assert (meter.beats, meter.beat, meter.bar) == (beats, Fraction(3, 2), bar)
    assert (meter.upper, meter.unit) == tuple(map(int, text.split("/")))


@pytest.mark.parametrize(
    ("tempo", "passes"),
    [
        ("72", [[72, 72, 72, 72]]),
        ("72.5", [[72.5] * 4]),
        ("[60, 72]", [[60] * 4, [72] * 4]),
        ("60, 72,84", [[60] * 4, [72] * 4, [84] * 4]),
        ("{from: 60, to: 70, step: 4}", [[60, 64, 68, 70]]),
        ("{from: 100, to: 90, step: 6}", [[100, 94, 90, 90]]),
        ("{from: 60, to: 80}", [[60, 64, 68, 72]]),
        ("{from: 60, to: 60}", [[60] * 4]),
        ("[50, {from: 60, to: 62, step: 2}]", [[50] * 4, [60, 62, 62, 62]]),
    ],
)
def test_tempos(shortest, tempo, passes):
    """A tempo, a list (a track each), and one that climbs or falls on each pass and then stays."""
    tempos = shortest(f"tempo: {tempo}\n").tempos
    assert [[each.at(number) for number in (1, 2, 3, 4)] for each in tempos] == passes


def test_tempos_name_themselves():
    """A track's tempo can be written in a file's name."""
    assert [str(Tempo(72, 0, 72)), str(Tempo(60, 4, 90))] == ["72", "60-90"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1", (1, "sticks", False)),
        ("0", (0, "sticks", False)),
        ("off", (0, "sticks", False)),
        ("{bars: 3, sound: hat, starting_note: true}", (3, "hat", True)),
        ("{sound: click, starting_note: yes}", (2, "click", True)),
    ],
)
def test_count_in(shortest, text, expected):
    """Bars, off, or a mapping; YAML 1.2's plain `yes` is understood where yes or no is asked."""
    count = shortest(f"count_in: {text}\n").count_in
    assert (count.bars, count.sound, count.starting_note) == expected


@pytest.mark.parametrize(
    ("line", "name", "value"),
    [
        ("swing: 2", "swing", 2.0),
        ("swing: 1.0", "swing", 1.0),
        ("ending: none", "ending", "none"),
        ("tracks: per key", "tracks", "per key"),
        ("passes: 3", "passes", 3),
        ("seed: 99", "seed", 99),
        ("note: Sing first.", "note", "Sing first."),
        ("title: 251", "title", "251"),
        ("note: >\n  Two\n  lines", "note", "Two lines"),
        ("feel: swing", "feel", "swing"),
    ],
)
def test_plain_values(shortest, line, name, value):
    """The keys that take one plain value."""
    assert getattr(shortest(line + "\n"), name) == value


def test_a_drill_without_a_title_is_called_after_its_file(tmp_path):
    """minor-blues_2.yaml is 'Minor blues 2'."""
    path = tmp_path / "minor-blues_2.yaml"
    path.write_text("progression: i7\n", "utf-8")
    assert load(path).drills[0].title == "Minor blues 2"
