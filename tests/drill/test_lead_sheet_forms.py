"""The form of a lead sheet: its repeats, endings and jumps come back on the drill's sheet, and are
played there as music21 plays the lead sheet's own; signs that contradict each other are refused."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from music21 import bar, converter, expressions, repeat, stream

from drillgen.chart import charts
from drillgen.drill.lesson import load
from drillgen.lines.kinds import line
from drillgen.score import Score
from drillgen.sheet.sheets import Section, sheets
from tests.drill.test_lead_sheets import (
    PLAIN,
    chords_of,
    da_capo_al_fine,
    dal_segno_al_coda,
    part_of,
    with_endings,
    with_long_endings,
    with_two_repeats,
    written,
)
from tests.sheet.test_read_back import in_lilypond


def da_capo_al_coda(part: stream.Part) -> None:
    """With a repeat that has two endings, the coda left for from the second."""
    measures = list(part.getElementsByClass(stream.Measure))
    with_endings(part)
    measures[1].leftBarline = None
    measures[0].leftBarline = bar.Repeat(direction="start")
    measures[5].append(expressions.TextExpression("To Coda"))
    measures[5].append(repeat.Coda())
    measures[6].append(repeat.DaCapoAlCoda())
    measures[7].insert(0, repeat.Coda())


def dal_segno_al_fine(part: stream.Part) -> None:
    measures = list(part.getElementsByClass(stream.Measure))
    measures[2].insert(0, repeat.Segno())
    measures[4].append(repeat.Fine())
    measures[7].append(repeat.DalSegnoAlFine())


def rehearsal_marks(part: stream.Part) -> None:
    """Two sections that are repeated together, by their names."""
    measures = list(part.getElementsByClass(stream.Measure))
    measures[0].insert(0, expressions.RehearsalMark("Intro"))
    measures[2].insert(0, expressions.RehearsalMark("A"))
    measures[4].insert(0, expressions.RehearsalMark("B"))
    measures[2].leftBarline = bar.Repeat(direction="start")
    measures[5].rightBarline = bar.Repeat(direction="end")


def as_drilled(tune: Path) -> Section:
    """The sheet of a drill of a lead sheet's chords and melody, in the key that it has."""
    drill = tune.with_name("mine.yaml")
    text = f"progression: {tune.name}\nline: {{kind: written, notes: {tune.name}}}\n"
    drill.write_text(f"{text}key_cycle: F\ngaps: off\nending: none\n", "utf-8")
    chart = charts(load(str(drill)).drills[0])[0]
    melody = line(chart)
    assert melody
    (section,) = sheets((Score(chart, (melody,)),)).handout.sections
    return section


def signs(text: str) -> list[list[str]]:
    """Of each measure, where it opens or closes a repeat or an ending, and its jumps and their
    targets, in MusicXML's words."""
    found = []
    for measure in ET.fromstring(text).iter("measure"):
        bars = [f"{each.get('direction')} repeat" for each in measure.iter("repeat")]
        bars += [f"{each.get('type')} {each.get('number')}" for each in measure.iter("ending")]
        words = " ".join(each.text or "" for each in measure.iter("words"))
        bars += [sign for sign, like in _JUMPS.items() if re.search(like, words)]
        bars += [each for each in ("segno", "coda") if measure.find(f".//{each}") is not None]
        found.append(sorted(each.replace("discontinue", "stop") for each in bars))
    found[0] = [each for each in found[0] if each != "forward repeat"]  # the top opens one anyway
    return found


_JUMPS = {"D.C.": "D.C.|Da Capo", "D.S.": "D.S.|Dal Segno", "To Coda": "To.Coda",
          "Fine": r"^[Ff]ine\b", "al Fine": "al [Ff]ine"}  # fmt: skip


@pytest.mark.parametrize(
    ("form", "letters"),
    [
        (with_endings, "ABC"),
        (with_long_endings, "ABC"),
        (with_two_repeats, "ABCD"),
        (dal_segno_al_coda, "AB"),
        (da_capo_al_coda, "AB"),
        (da_capo_al_fine, "AB"),
        (dal_segno_al_fine, "ABC"),
        (rehearsal_marks, ["Intro", "A", "B", "C"]),
    ],
)
def test_a_lead_sheets_signs_come_back(form, letters, tmp_path):
    """The sheet has a measure for each of the lead sheet's and at each the same signs; music21
    plays both out alike, and LilyPond's reader finds as many repeats, endings, segnos and codas."""
    part = part_of(*PLAIN)
    form(part)
    tune = written(part, tmp_path / "tune.musicxml")
    theirs, ours = tune.read_text("utf-8"), as_drilled(tune).musicxml
    assert signs(theirs) == signs(ours)
    back = converter.parse(ours, format="musicxml").parts[0]
    assert _changes(chords_of(back)) == _changes(chords_of(part))
    assert [each.text for each in ET.fromstring(ours).iter("rehearsal")] == [*letters]
    # Of its own layout: it takes a line's break before an ending for the end of the repeat.
    ours = re.sub(r"<print new-system[^>]*>", "", ours)
    in_theirs, in_ours = (in_lilypond(text, tmp_path) for text in (theirs, ours))
    for words in (r"\\repeat volta", r"\\alternative", "scripts.segno", "scripts.coda"):
        assert len(re.findall(words, in_theirs)) == len(re.findall(words, in_ours)), words


def _changes(rows: list[list[str]]) -> list[str]:
    """The chords as they change."""
    every = [chord for row in rows for chord in row]
    return [b for a, b in zip(["", *every], every, strict=False) if a != b]


_G = """<harmony><root><root-step>G</root-step></root><kind>major</kind></harmony>
<note><pitch><step>G</step><octave>4</octave></pitch><duration>4</duration></note>"""


def tune_of(*measures: str) -> str:
    """A score by hand whose measures have a chord, and these signs."""
    rows = [f'<measure number="{n}">{signs}{_G}</measure>' for n, signs in enumerate(measures, 1)]
    return f"<score-partwise><part id='P1'>{''.join(rows)}</part></score-partwise>"


def said(words: str) -> str:
    return f"<direction><direction-type><words>{words}</words></direction-type></direction>"


def ending(number: str, repeat: str = "") -> str:
    """One measure under a bracket."""
    left, right = (f'<ending number="{number}" type="{kind}"/>' for kind in ("start", "stop"))
    return f'<barline location="left">{left}</barline><barline>{right}{repeat}</barline>'


BACK = '<repeat direction="backward"/>'
SEGNO, CODA = '<sound segno="s"/>', '<sound coda="c"/>'


@pytest.mark.parametrize(
    ("measures", "says"),
    [
        (["", said("D.S. al Coda"), CODA], "measure 2: the jump leads to a segno"),
        (["", said("D.S."), SEGNO], "measure 2: the jump leads to a segno"),
        (["", said("D.C. al Coda"), CODA], "measure 2: the jump leads to a coda, and no To Coda"),
        (["", said("D.C. al Fine")], "measure 2: the jump goes on to the Fine"),
        ([said("To Coda"), "", CODA], "measure 1: To Coda, and nothing jumps back"),
        ([said("To Coda"), said("D.C. al Coda")], "measure 1: To Coda, and no coda after it"),
        ([said("To Coda"), SEGNO, said("D.S. al Coda"), CODA],
         "measure 1: To Coda is not where the jump leads; allowed: between measures 2 and 3"),
        (["", said("D.C."), "", said("D.C.")], "measure 4: a second jump, after that in measure 2"),
        (["", said("D.C.") + SEGNO + said("D.S.")], "measure 2: D.C. and D.S. in one measure"),
        (["", ending("2", BACK)], "measure 2: ending 2 and no ending 1 before it"),
        (["", ending("1"), ending("2")], "measure 2: an ending that another follows does not go"),
        (["", ending("1", BACK), ending("1,2")], "measure 3: ending 1 stands here again"),
    ],
)  # fmt: skip
def test_signs_that_contradict_each_other(measures, says, tmp_path, drillgen):
    """By the command, at the lead sheet's place in the drill, with the measure where a player would
    have to guess."""
    (tmp_path / "tune.musicxml").write_text(tune_of(*measures), "utf-8")
    drill = tmp_path / "mine.yaml"
    drill.write_text("progression: tune.musicxml\n", "utf-8")
    done = drillgen("check", drill)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert f"{drill}:1:14: " in done.stderr and f"tune.musicxml: {says}" in done.stderr
