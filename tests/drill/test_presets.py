"""The presets: each is a drill that a teacher can hand out in every one of its keys."""

from __future__ import annotations

import csv
import re

import pretty_midi
import pytest

from drillgen.chart import sounding
from drillgen.drill.files import LESSONS, SCHEMA, list_presets, preset_path, presets_folder
from drillgen.drill.lesson import load
from drillgen.drill.messages import DrillError
from drillgen.drill.schema import as_text
from drillgen.drill.sheet import INSTRUMENTS
from drillgen.theory.pitch import Pitch
from tests.conftest import DATA

PRESETS = list_presets()
COURSES = [preset for preset in PRESETS if preset.group == LESSONS]


@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_every_preset_is_a_drill_with_a_sentence_for_the_student(preset):
    """It loads by name, has a title and a note of its own, and stands in a group."""
    lesson = load(preset.name)
    assert lesson.title == preset.title != preset.name
    assert preset.group
    assert all(drill.note.endswith((".", "?")) for drill in lesson.drills)


@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_every_preset_is_readable_in_every_key(preset):
    """No chord of any key needs more than double accidentals, and few need those (readability)."""
    for drill in load(preset.name).drills:
        for key in drill.key_cycle:
            for bar in drill.progression.bars:
                for slot in bar.slots:
                    chord = sounding(slot, drill.key, key)
                    assert chord is None or all(abs(name.alter) <= 2 for name in chord.names)


def test_there_are_presets_enough_and_their_names_are_unique():
    """At least fourteen, in groups, each name once; names can be typed."""
    names = [preset.name for preset in PRESETS]
    assert len(names) == len(set(names)) >= 14
    assert len({preset.group for preset in PRESETS}) >= 4
    assert all(re.fullmatch(r"[a-z0-9-]+", name) for name in names)
    titles = [preset.title for preset in PRESETS]
    assert len(titles) == len(set(titles))


def test_the_first_preset_is_the_one_that_the_demonstration_plays():
    """Six keys down by whole steps at 72, four bars of call and of response, brushes and piano."""
    drill = load("first-two-fives").drills[0]
    assert [key.short for key in drill.key_cycle] == ["C", "Bb", "Ab", "Gb", "E", "D"]
    assert [str(tempo) for tempo in drill.tempos] == ["72"]
    assert (drill.gaps.call, drill.gaps.response) == (4, 4)
    assert [part.kind for _, part in drill.band] == [
        *("brushes", "piano", "roots"),
        *("off", "off"),  # no click, no voice
    ]


def test_a_preset_is_also_found_by_its_group():
    """`lessons/ear-first` is the preset as `presets list` shows it; a file goes before it."""
    assert load("lessons/ear-first") == load("ear-first")
    with pytest.raises(DrillError, match="no such file"):
        load("lessons/no-such-lesson")


def test_an_unknown_preset_gets_the_nearest_name():
    """A slip of the pen is answered with the preset that was meant."""
    with pytest.raises(DrillError, match='did you mean "blues-walking"'):
        preset_path("blues-waking")
    with pytest.raises(DrillError, match=r"^frist-two-fives: there is no preset or file"):
        load("frist-two-fives")


def test_a_name_without_its_ending_or_with_one(tmp_path, monkeypatch):
    """A file is found by its stem; a preset's name has no ending."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "thirds.yaml").write_text("progression: ii7")
    with pytest.raises(DrillError, match=r'did you mean "thirds\.yaml"'):
        load("thirds")
    with pytest.raises(DrillError, match='did you mean "blues-walking"'):
        load("blues-walking.yaml")


@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_every_preset_names_the_schema_that_lies_beside_it(preset):
    """The first line points an editor to the schema file, which is up to date."""
    first = preset.path.read_text("utf-8").split("\n")[0]
    found = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", first)
    assert found
    assert (preset.path.parent / found[1]).resolve() == (presets_folder() / SCHEMA).resolve()


def test_the_schema_file_is_current():
    """`drillgen schema > presets/drill.schema.json` would change nothing."""
    current = (presets_folder() / SCHEMA).read_text("utf-8") == as_text()
    assert current, f"presets/{SCHEMA} is out of date: `make schema` writes it anew"


def test_instruments_have_their_general_midi_programs():
    """Program numbers against pretty_midi's table of General MIDI names (PyPI)."""
    words = {
        "upright": "Acoustic Bass",
        "electric": "Electric Bass (finger)",
        "piano": "Acoustic Grand Piano",
        "electric piano": "Electric Piano 1",
        "guitar": "Electric Guitar (jazz)",
        "voice": "Choir Aahs",
        "horn": "French Horn",
        "alto saxophone": "Alto Sax",
        "tenor saxophone": "Tenor Sax",
        "soprano saxophone": "Soprano Sax",
        "baritone saxophone": "Baritone Sax",
    }
    for name, instrument in INSTRUMENTS.items():
        program = pretty_midi.program_to_instrument_name(instrument.program)
        assert program == words.get(name, name.capitalize())
        assert instrument.high.midi - instrument.low.midi >= 19  # an octave and a fifth at least


# B2, the fourth finger's note on the G string in Simandl's first position (and the fourth fret of
# a bass guitar): tests/data/simandl_positions.csv.
FIRST_POSITION = 47


@pytest.mark.parametrize("course", COURSES, ids=lambda course: course.name)
def test_a_course_is_graded(course):
    """Six to twelve drills with a note each; the first asks for the fewest keys, is no faster than
    any later one and begins with the plainest line; the last goes through at least as many keys
    as any in the first half and is faster than the first (from easy to hard: common practice)."""
    lesson = load(course.name)
    drills = lesson.drills
    keys = [len(drill.key_cycle) for drill in drills]
    slowest = [min(tempo.start for tempo in drill.tempos) for drill in drills]
    fastest = [max(tempo.end for tempo in drill.tempos) for drill in drills]
    assert 6 <= len(drills) <= 12 and lesson.note and course.drills == len(drills)
    assert len({drill.title for drill in drills}) == len(drills)
    assert keys[0] == min(keys) and keys[-1] >= max(keys[: len(keys) // 2])
    assert fastest[-1] > fastest[0] and slowest[0] == min(slowest)
    plain = ("roots", "phrases")
    assert drills[0].line.kind in plain and drills[0].line.range.high.midi <= FIRST_POSITION


def test_there_are_three_courses():
    """Two-fives, a blues and call and response, and in the two-fives the order of the trade:
    roots, guide tones, arpeggios, enclosures (common practice)."""
    assert len(COURSES) >= 3
    kinds = [drill.line.kind for drill in load("first-term-of-two-fives").drills]
    order = ["roots", "guide tones", "arpeggio", "enclosure"]
    assert [kinds.index(kind) for kind in order] == sorted(map(kinds.index, order))
    calls = {drill.gaps.call for drill in load("ear-first").drills}
    assert calls == {1, 2, 4}
    assert {drill.line.kind for drill in load("ear-first").drills} == {"phrases", "riff"}


def test_first_position_presets_stay_there():
    """Each of their lines can be played in half and first position, by Simandl's table."""
    from drillgen import check
    from drillgen.arrange import arrange
    from drillgen.chart import charts

    table = DATA / "simandl_positions.csv"
    with table.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["position"] in ("half", "I")]
    highest = max(Pitch.parse(row["note4_sounding"]).midi for row in rows)
    assert highest == FIRST_POSITION
    for preset in (each for each in PRESETS if each.group == "first-position"):
        drill = load(preset.name).drills[0]
        for chart in charts(drill)[:1]:
            notes = arrange(chart).part("line").notes
            assert notes and all(28 <= note.pitch.midi <= highest for note in notes)
        positions = re.findall(r"\[(half|[IVX-]+)\]", check(preset.name))
        assert positions and set(positions) <= {"half", "I"}
