"""Lessons: shared defaults under drills from files, presets and the lesson itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from drillgen.drill.lesson import load, load_all
from drillgen.drill.messages import DrillError
from drillgen.drill.reader import Override


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A lesson with one drill of each sort, and the file that it names."""
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "slow-one.yaml").write_text(
        "progression: iiø7 | V7b9 | i6 | %\nkey: A minor\ntempo: 50\nline: roots\n", "utf-8"
    )
    (tmp_path / "lesson.yaml").write_text(
        "title: First week\n"
        "note: >-\n  A drill a day,\n  slowly.\n"
        "defaults:\n"
        "  tempo: 66\n"
        "  band: {drums: brushes, bass: {kind: roots, level: -2}}\n"
        "  line: {kind: guide tones, begin_on: 7, instrument: electric}\n"
        "drills:\n"
        "  - first-two-fives\n"
        "  - mine/slow-one.yaml\n"
        "  - {title: Own, progression: I7 | IV7, band: {bass: walking}}\n"
        "  - {drill: mine/slow-one.yaml, tempo: 40, title: Slower}\n"
        "  - {drill: first-two-fives, line: arpeggio}\n",
        "utf-8",
    )
    return tmp_path


def test_a_lesson_holds_its_drills_in_order(folder):
    """Presets, files beside the lesson, inline drills and changes to either."""
    lesson = load(folder / "lesson.yaml")
    titles = [drill.title for drill in lesson.drills]
    assert (lesson.title, lesson.note) == ("First week", "A drill a day, slowly.")
    assert titles == ["First two-fives", "Slow one", "Own", "Slower", "First two-fives"]


@pytest.mark.parametrize("key", ["audio: {format: mp3}", "sounds: {bass: own}", "tempo: 60"])
def test_what_all_drills_share_has_its_place(tmp_path, key):
    """A drill's key beside a lesson's own is told where it belongs, and where it stands."""
    path, name = tmp_path / "lesson.yaml", key.partition(":")[0]
    path.write_text(f"{key}\ndrills: [first-two-fives]\n", "utf-8")
    said = f"lesson.yaml:1:1: {name}: \"{name}\" is a drill's key, and not a lesson's; allowed: "
    with pytest.raises(DrillError) as error:
        load(path)
    assert f"{said}{name} below defaults or override" in str(error.value)


def test_a_lessons_title_is_read_like_a_drills(tmp_path):
    """A number is taken as it looks, in title and note."""
    path = tmp_path / "lesson.yaml"
    path.write_text("title: 007\nnote: 1.50\ndrills: [first-two-fives]\n", "utf-8")
    lesson = load(path)
    assert (lesson.title, lesson.note) == ("007", "1.50")


def test_defaults_lie_under_each_drill(folder):
    """What a drill says itself stays; what it does not say comes from the defaults."""
    preset, file, own, slower, changed = load(folder / "lesson.yaml").drills
    assert [drill.tempos[0].start for drill in (preset, file, own, slower)] == [72, 50, 66, 40]
    assert [drill.band.bass.kind for drill in (preset, file, own)] == ["roots", "roots", "walking"]
    assert {drill.band.bass.level for drill in (preset, file, own)} == {-2}
    assert (file.line.kind, file.line.instrument) == ("roots", "electric")
    assert (changed.line.kind, changed.line.instrument) == ("arpeggio", "electric")
    assert own.line.begin_on == 7


def test_override_lies_over_what_is_named(folder):
    """What a lesson overrides stands over files and presets, and under what the lesson itself says
    of a drill."""
    text = (folder / "lesson.yaml").read_text("utf-8")
    (folder / "lesson.yaml").write_text(
        text.replace("drills:", "override: {tempo: 58}\ndrills:", 1)
    )
    lesson = load(folder / "lesson.yaml")
    assert [drill.tempos[0].start for drill in lesson.drills] == [58, 58, 58, 40, 58]


def test_defaults_that_do_not_reach_a_drill_are_told(folder, drillgen):
    """`check` names each default that a file or preset has otherwise, with its place; not one that
    is the same there, nor one that the lesson overrides."""
    path = folder / "lesson.yaml"

    def told(*changes):
        text = path.read_text("utf-8")
        for one, other in changes:
            text = text.replace(one, other, 1)
        path.write_text(text, "utf-8")
        lines = drillgen("check", path).stdout.splitlines()
        return [line.removeprefix(f"note: {path}:") for line in lines if "defaults:" in line]

    tempo, line = told()
    assert "line.kind is not used by mine/slow-one.yaml, which has its own" in line
    them = "first-two-fives, mine/slow-one.yaml, which have their own"
    assert tempo.startswith(f"6:10: defaults: tempo is not used by {them}; below override:")
    tempo, drums, line = told(("drums: brushes", "drums: sticks"))
    assert drums.startswith("7:17: defaults: band.drums is not used by first-two-fives, which has")
    drums, line = told(("drills:", "override: {tempo: 58}\ndrills:"))
    assert "band.drums" in drums and "line.kind" in line


def test_overrides_reach_every_drill(folder):
    """An option on the command line holds for the whole lesson."""
    lesson = load(folder / "lesson.yaml", [Override("tempo", "90", "--tempo 90")])
    assert {drill.tempos[0].start for drill in lesson.drills} == {90}


def test_a_single_drill_is_a_lesson_of_one():
    """A drill's own title is the lesson's."""
    lesson = load("first-two-fives")
    assert (lesson.title, len(lesson.drills)) == (lesson.drills[0].title, 1)


def test_several_sources_become_one_lesson(folder):
    """Files and presets together, in order; their problems together too."""
    lesson = load_all(["first-two-fives", str(folder / "lesson.yaml")])
    assert len(lesson.drills) == 6
    with pytest.raises(DrillError) as caught:
        load_all(["frist-two-fives", "nowhere.yaml"])
    assert [problem.file for problem in caught.value.problems] == [
        "frist-two-fives",
        "nowhere.yaml",
    ]


def test_problems_cite_the_file_that_they_are_in(folder):
    """Wrong defaults in the lesson, wrong drills in their own file, each at its line, once."""
    (folder / "bad.yaml").write_text("progression: ii7 | X7\ntempo: 9\n", "utf-8")
    (folder / "lesson.yaml").write_text(
        "defaults:\n  passes: 0\ndrills:\n  - bad.yaml\n  - {progression: ii7, key: H}\n"
        "  - no-such-preset\n  - gone.yaml\n  - lesson.yaml\n  - 12\n",
        "utf-8",
    )
    with pytest.raises(DrillError) as caught:
        load(folder / "lesson.yaml")
    found = [(Path(p.file).name, p.line, p.column) for p in caught.value.problems]
    assert found == [
        ("bad.yaml", 1, 20),
        ("bad.yaml", 2, 8),
        ("lesson.yaml", 2, 11),
        ("lesson.yaml", 5, 29),
        ("lesson.yaml", 6, 5),
        ("lesson.yaml", 7, 5),
        ("lesson.yaml", 8, 5),
        ("lesson.yaml", 9, 5),
    ]


@pytest.mark.parametrize(
    ("text", "place", "said"),
    [
        ("drills: []\n", (1, 9), "needs its drills"),
        ("defaults: {}\n", (1, 1), "needs its drills"),
        ("drills: first-two-fives\n", (1, 9), "needs its drills"),
        ("drils: x\ndefaults: {}\n", (1, 1), 'did you mean "drills"'),
        ("defaults: [a]\ndrills: [first-two-fives]\n", (1, 11), "does not fit here"),
        ("title: [a]\ndrills: [first-two-fives]\n", (1, 8), "a list is not a text"),
        ("note: [a]\ndrills: [first-two-fives]\n", (1, 7), "a list is not a text"),
        ("title: ''\ndrills: [first-two-fives]\n", (1, 8), "the text is empty"),
        ("title:\ndrills: [first-two-fives]\n", (1, 7), "nothing is written here"),
        ('title: "a\\eb"\ndrills: [first-two-fives]\n', (1, 10), "control sign (U+001B)"),
        (f"title: {'x' * 101}\ndrills: [first-two-fives]\n", (1, 8), "allowed: up to 100"),
        (
            f"drills: [{'first-two-fives, ' * 201}]\n",
            (1, 9),
            "has 201 drills; allowed: a list of 1 to 200",
        ),
        ("drills: [frist-two-fives]\n", (1, 10), 'did you mean "first-two-fives"'),
        ("drills: [{drill: 3}]\n", (1, 18), "is no drill"),
        ("drills: [{tempo: 3}]\n", (1, 10), '"progression" is missing'),
    ],
)
def test_broken_lessons(tmp_path, text, place, said):
    """The lesson's own keys are checked like a drill's."""
    path = tmp_path / "lesson.yaml"
    path.write_text(text, "utf-8")
    with pytest.raises(DrillError) as caught:
        load(path)
    assert place in [(problem.line, problem.column) for problem in caught.value.problems]
    assert said in str(caught.value)
