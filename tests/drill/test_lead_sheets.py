"""Lead sheets that another program has written: music21 writes them, and says what they mean."""

from __future__ import annotations

import random
import zipfile
from pathlib import Path

import pytest
from music21 import bar, expressions, harmony, key, meter, note, repeat, spanner, stream

from drillgen.chart import charts
from drillgen.drill.lead_sheet import read_lead_sheet
from drillgen.drill.lesson import load
from drillgen.drill.messages import RefusedError
from drillgen.drill.reader import Override
from drillgen.lines.kinds import line
from drillgen.score import Score
from drillgen.sheet.sheets import sheets
from drillgen.theory.chord_types import KINDS
from drillgen.theory.chords import parse_chord

FUNCTIONAL = {"Neapolitan", "Italian", "French", "German", "other", "none", "Tristan", "pedal"}


def part_of(*measures: list[tuple[str, float]], signature: str = "F", beats: str = "4/4"):
    """A part with chord symbols by their beats (from 0), a quarter note on each beat."""
    part = stream.Part()
    for number, chords in enumerate(measures, 1):
        one = stream.Measure(number=number)
        if number == 1:
            one.insert(0, key.Key(signature))
            one.insert(0, meter.TimeSignature(beats))
        for beat in range(int(beats[0])):
            one.insert(beat, note.Note(["F4", "A4", "B-4", "C5"][(beat + number) % 4]))
        for figure, beat in chords:
            one.insert(beat, harmony.ChordSymbol(figure))
        part.append(one)
    return part


def written(part: stream.Part, path: Path) -> Path:
    score = stream.Score()
    score.append(part)
    return Path(score.write("musicxml", fp=path))


def chords_of(part: stream.Part) -> list[list[str]]:
    """By measure, as music21 plays its repeats out."""
    return [
        [each.figure.replace("-", "b") for each in one.getElementsByClass(harmony.ChordSymbol)]
        for one in part.expandRepeats().getElementsByClass(stream.Measure)
    ]


def ours(path: Path) -> list[list[str]]:
    return [
        text.replace("/ ", "").replace(" /", "").split() for text in read_lead_sheet(path).chords
    ]


PLAIN = [[(figure, 0)] for figure in ("F7", "Bb7", "C7", "Dm7", "Gm7", "Am7", "D7", "G7")]
PLAIN = [[(figure.replace("b", "-"), beat) for figure, beat in row] for row in PLAIN]


def with_endings(part: stream.Part) -> None:
    measures = list(part.getElementsByClass(stream.Measure))
    measures[1].leftBarline = bar.Repeat(direction="start")
    measures[4].rightBarline = bar.Repeat(direction="end")
    part.insert(0, spanner.RepeatBracket(measures[4], number=1))
    part.insert(0, spanner.RepeatBracket(measures[5], number=2))


def with_long_endings(part: stream.Part) -> None:
    measures = list(part.getElementsByClass(stream.Measure))
    measures[1].leftBarline = bar.Repeat(direction="start")
    measures[3].rightBarline = bar.Repeat(direction="end")
    part.insert(0, spanner.RepeatBracket(measures[2:4], number=1))
    part.insert(0, spanner.RepeatBracket(measures[4:7], number=2))


def with_two_repeats(part: stream.Part) -> None:
    measures = list(part.getElementsByClass(stream.Measure))
    measures[1].rightBarline = bar.Repeat(direction="end")
    measures[3].leftBarline = bar.Repeat(direction="start")
    measures[5].rightBarline = bar.Repeat(direction="end")


def da_capo_al_fine(part: stream.Part) -> None:
    measures = list(part.getElementsByClass(stream.Measure))
    measures[3].append(repeat.Fine())
    measures[7].append(repeat.DaCapoAlFine())


def dal_segno_al_coda(part: stream.Part) -> None:
    measures = list(part.getElementsByClass(stream.Measure))
    measures[1].insert(0, repeat.Segno())
    measures[3].append(expressions.TextExpression("To Coda"))
    measures[3].append(repeat.Coda())
    measures[5].append(repeat.DalSegnoAlCoda())
    measures[6].insert(0, repeat.Coda())


@pytest.mark.parametrize(
    "form", [with_endings, with_long_endings, with_two_repeats, da_capo_al_fine]
)
def test_repeats_are_played_out(form, tmp_path):
    """Repeats, endings and a da capo al fine are the measures that music21 plays."""
    part = part_of(*PLAIN)
    form(part)
    assert ours(written(part, tmp_path / "tune.musicxml")) == chords_of(part)


def test_a_dal_segno_al_coda(tmp_path):
    """From the segno to the sign, then the coda (common practice)."""
    part = part_of(*PLAIN)
    dal_segno_al_coda(part)
    played = [row[0] for row in ours(written(part, tmp_path / "tune.musicxml"))]
    names = ["F7", "Bb7", "C7", "Dm7", "Gm7", "Am7", "D7", "G7"]
    assert played == [names[n] for n in (0, 1, 2, 3, 4, 5, 1, 2, 3, 6, 7)]


def test_our_own_coda_after_endings(tmp_path):
    """A sheet with a first and a second ending jumps back to the bars before them: what it says is
    what the drill plays, endings after the jump the last ones (common practice; music21 10.5 loses
    the brackets beside a da capo)."""
    sections = "{A: {bars: C6 | A7, endings: [D7 | G7, F6 | C7 | E7], to_coda: 4}, coda: B7 | C6"
    drill = tmp_path / "drill.yaml"
    drill.write_text(
        f"progression: {sections}, form: A A A}}\nkey_cycle: C\n"
        + "gaps: off\nsheet: chords\nending: none\n"
    )
    chart = charts(load(str(drill)).drills[0])[0]
    (section,) = sheets((Score(chart, ()),)).handout.sections
    tune = tmp_path / "sheet.musicxml"
    tune.write_text(section.musicxml, "utf-8")
    played = [row[0] for row in ours(tune)]
    assert " ".join(played) == "C6 A7 D7 G7 C6 A7 F6 C7 E7 C6 A7 F6 C7 B7 C6"


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind not in FUNCTIONAL])
def test_kinds(kind, tmp_path):
    """Each kind of MusicXML that music21 writes is read with music21's notes."""
    roots = ["C", "F#", "B-", "E-"]
    part = part_of(*[[] for _ in roots])
    symbols = [harmony.ChordSymbol(root=root, kind=kind) for root in roots]
    for one, symbol in zip(part.getElementsByClass(stream.Measure), symbols, strict=True):
        one.insert(0, symbol)
    found = ours(written(part, tmp_path / "tune.musicxml"))
    for (text,), symbol in zip(found, symbols, strict=True):
        names = {str(name).replace("b", "-") for name in parse_chord(text).names}
        assert names == {pitch.name for pitch in symbol.pitches}


@pytest.mark.parametrize("preset", ["thirty-two-bars-walking", "minor-blues", "three-plus-two"])
def test_our_own_sheets_are_read(preset, tmp_path):
    """What a preset's sheet says in its first key comes back: its chords, bar by bar, as often as
    they are played."""
    (drill,) = load(preset, [Override("gaps", "none", "")]).drills
    chart = charts(drill)[0]
    tune = tmp_path / "sheet.musicxml"
    (section, *_) = sheets((Score(chart, tuple(filter(None, [line(chart)]))),)).handout.sections
    tune.write_text(section.musicxml, "utf-8")
    found = read_lead_sheet(tune)
    played = [each for each in chart.bars if f"b{each.number}" in section.bar_ids]
    theirs = [[span.chord.text for span in each.spans if span.chord] for each in played]
    assert found.meter == drill.meter and found.key == played[0].key
    mine = [text.replace(" /", "").split() for text in found.chords]
    turns = len(mine) // len(theirs)  # what is printed once and repeated
    assert [[*dict.fromkeys(row)] for row in mine] == turns * [[*dict.fromkeys(r)] for r in theirs]


HARMONY = """\
<harmony><root><root-step>G</root-step></root><kind>{kind}</kind>{more}{degrees}</harmony>"""
DEGREE = """\
<degree><degree-value>{}</degree-value><degree-alter>{}</degree-alter>\
<degree-type>{}</degree-type></degree>"""


@pytest.mark.parametrize(
    ("kind", "degrees", "meant"),
    [
        ("dominant", [(9, -1, "add")], "G7b9"),
        ("dominant", [(9, 1, "add"), (5, 1, "alter")], "G7(#5,#9)"),
        ("dominant-ninth", [(9, -1, "alter")], "G7b9"),
        ("major", [(7, 0, "add")], "G7"),  # an added seventh is a dominant's
        ("suspended-fourth", [(7, 0, "add")], "G7sus4"),
        ("major", [(9, 0, "add")], "Gadd9"),
        ("major", [(3, 0, "subtract")], "G5"),
        ("major-seventh", [(11, 1, "add")], "Gmaj7#11"),
        ("half-diminished", [], "Gm7b5"),
    ],
)
def test_altered_degrees(kind, degrees, meant, tmp_path):
    """Added, altered and subtracted degrees, as MusicXML 4.0 defines `degree-alter`."""
    path = tmp_path / "tune.musicxml"
    words = "".join(DEGREE.format(*degree) for degree in degrees)
    path.write_text(score(HARMONY.format(kind=kind, more="", degrees=words)), "utf-8")
    assert read_lead_sheet(path).chords == (parse_chord(meant).text,)


def score(music: str, attributes: str = "", notes: str = "") -> str:
    """A score of one measure, by hand."""
    return f"""<score-partwise version="4.0"><part-list><score-part id="P1"><part-name/>
</score-part></part-list><part id="P1"><measure number="1"><attributes><divisions>2</divisions>
<key><fifths>1</fifths></key><time><beats>4</beats><beat-type>4</beat-type></time>{attributes}
</attributes>{music}{notes or NOTE.format("G", 8)}</measure></part></score-partwise>"""


NOTE = """\
<note><pitch><step>{0}</step><octave>4</octave></pitch><duration>{1}</duration><voice>1</voice></note>"""
PLAIN_CHORD = HARMONY.format(kind="major", more="", degrees="")


def test_chords_stand_on_their_beats(tmp_path):
    """Two chords in a bar by beats, a bar without one goes on, and a chord struck an eighth before
    the bar line belongs to the next bar (common practice)."""
    part = part_of([("Gm7", 0), ("C7", 2)], [], [("F7", 0), ("B-7", 3.5)], [])
    found = read_lead_sheet(written(part, tmp_path / "tune.musicxml"))
    assert found.chords == ("Gm7 / C7 /", "C7", "F7", "Bb7")


def test_a_part_that_transposes_is_read_as_it_sounds(tmp_path):
    """Written for a trumpet in B flat, G is F, and so is the key."""
    transpose = "<transpose><diatonic>-1</diatonic><chromatic>-2</chromatic></transpose>"
    path = tmp_path / "tune.musicxml"
    path.write_text(score(PLAIN_CHORD, transpose), "utf-8")
    found = read_lead_sheet(path)
    assert found.chords == ("F",) and str(found.key) == "F major" and found.notes == ("1:w",)


def test_a_drill_from_a_lead_sheet(tmp_path, drillgen):
    """Chords and melody of one file, by the command: its key and meter are the drill's, and the
    line is music21's melody in another octave, taken to another key."""
    part = part_of([("F", 0)], [("Gm7", 0)], [("C7", 0)], beats="3/4")
    written(part, tmp_path / "tune.musicxml")
    drill = tmp_path / "mine.yaml"
    text = (
        "progression: tune.musicxml\nline: {kind: written, notes: tune.musicxml}\n"
        "key_cycle: [F, G]\nfeel: jazz waltz\ngaps: none\nending: none\n"
    )
    drill.write_text(text, "utf-8")
    done = drillgen("check", drill)
    assert done.returncode == 0, done.stderr
    chords = [row.split("|")[1:4] for row in done.stdout.splitlines() if " play " in row]
    assert "3/4" in done.stdout and [each.strip() for each in chords[0]] == ["F", "Gm7", "C7"]
    found = [each.pitch.midi for each in line(charts(load(drill).drills[0])[0]).notes]
    theirs = [each.pitch.midi for each in part.recurse().getElementsByClass(note.Note)]
    apart = {
        ours - other for ours, other in zip(found, theirs + [n + 2 for n in theirs], strict=True)
    }
    assert len(apart) <= 2 and all(each % 12 == 0 for each in apart)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("no XML", "not readable as XML"),
        ("<score-timewise/>", "no score in MusicXML by parts"),
        ("<score-partwise/>", "has no chord symbols"),
        ('<!DOCTYPE a [<!ENTITY b "c">]><score-partwise/>', "declares entities"),
        (score(PLAIN_CHORD.replace("major", "mayor")), 'the kind "mayor" is no chord symbol'),
        (score(PLAIN_CHORD.replace("<root-step>G", "<root-step>H")), '"H" is no note'),
        (score(PLAIN_CHORD).replace("<beats>4", "<beats>7"), 'measure 1: the meter "7/4"'),
        (score(PLAIN_CHORD).replace("<divisions>2", "<divisions>x"), "is no number of divisions"),
        (score(PLAIN_CHORD).replace("</measure>", '<sound dalsegno="1"/></measure>'), "a segno"),
        (
            score(PLAIN_CHORD, notes=NOTE.format("G", 8) + NOTE.format("B", 8).replace(
                "<pitch>", "<chord/><pitch>")),
            "more than one note sounds at once",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_said(text, says, tmp_path, drillgen):
    """With the drill's file, line and column, the lead sheet's name and its measure."""
    (tmp_path / "tune.musicxml").write_text(text, "utf-8")
    drill = tmp_path / "mine.yaml"
    drill.write_text(
        "progression: tune.musicxml\nline: {kind: written, notes: tune.musicxml}\n", "utf-8"
    )
    done = drillgen("check", drill)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert f"{drill}:" in done.stderr and "tune.musicxml: " in done.stderr and says in done.stderr


def test_a_file_that_is_not_there(tmp_path, drillgen):
    """Its nearest neighbour is named."""
    written(part_of([("F", 0)]), tmp_path / "tune.musicxml")
    (tmp_path / "mine.yaml").write_text("progression: tuna.musicxml\n", "utf-8")
    done = drillgen("check", "mine.yaml", cwd=tmp_path)
    assert done.returncode == 2
    assert "mine.yaml:1:14: progression: tuna.musicxml: there is no such file" in done.stderr
    assert 'did you mean "tune.musicxml"?' in done.stderr


def test_compressed(tmp_path):
    """An .mxl is read like the file in it; one that lies about itself is refused."""
    plain = written(part_of(*PLAIN), tmp_path / "tune.musicxml")
    packed = tmp_path / "packed.mxl"
    container = '<container><rootfiles><rootfile full-path="{}"/></rootfiles></container>'
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("META-INF/container.xml", container.format("in/tune.xml"))
        file.write(plain, "in/tune.xml")
    assert read_lead_sheet(packed) == read_lead_sheet(plain)
    for name, content in (("gone.xml", b""), ("in/tune.xml", bytes(30 << 20))):
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as file:
            file.writestr("META-INF/container.xml", container.format(name))
            file.writestr("in/tune.xml", content)
        with pytest.raises(RefusedError, match=r"no compressed score|too large"):
            read_lead_sheet(packed)


def test_damaged_at_random(tmp_path):
    """Whatever happens to a file, it is read or refused."""
    part = part_of(*PLAIN)
    with_endings(part)
    whole = bytearray(written(part, tmp_path / "tune.musicxml").read_bytes())
    chance, path = random.Random(3), tmp_path / "spoilt.musicxml"
    refused = 0
    for _ in range(150):
        spoilt = bytearray(whole)
        for _ in range(chance.randrange(1, 4)):
            at = chance.randrange(len(spoilt))
            spoilt[at : at + chance.randrange(3)] = bytes([chance.randrange(32, 127)])
        path.write_bytes(spoilt)
        try:
            found = read_lead_sheet(path)
            assert len(found.chords) == len(found.notes)
        except RefusedError:
            refused += 1
    assert 30 < refused < 150
