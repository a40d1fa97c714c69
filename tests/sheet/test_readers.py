"""Other players of a class: clefs, transpositions, keys and octaves, against music21's own."""

from __future__ import annotations

import pytest
from music21 import clef, interval, pitch
from music21 import key as keys

from tests.conftest import Run
from tests.sheet.written import expected, heard, read, sheets_of, symbols

CYCLE = ["Gb", "B", "F#m"]
# From concert pitch to how it is written, as every orchestration handbook has it (common practice).
WRITTEN = {
    "Bb": "M2",
    "Eb": "M6",
    "clarinet": "M2",
    "trumpet": "M2",
    "soprano saxophone": "M2",
    "alto saxophone": "M6",
    "tenor saxophone": "M9",
    "baritone saxophone": "M13",
    "guitar": "P8",
    "flute": "P1",
    "violin": "P1",
    "viola": "P1",
    "cello": "P1",
    "trombone": "P1",
    "treble": "P1",
    "bass": "P1",
    "alto clef": "P1",
    "tenor": "P1",
    "horn": "P5",
    "tuba": "P1",
}
CLEFS = {
    "viola": clef.AltoClef,
    "alto clef": clef.AltoClef,
    "tuba": clef.BassClef,
    "tenor": clef.TenorClef,
    "cello": clef.BassClef,
    "trombone": clef.BassClef,
    "bass": clef.BassClef,
}
# What transposing would take beyond six accidentals, as players write it (common practice).
RESPELLED = {"Bb": {"B major": "D♭ major"}, "Eb": {"B major": "A♭ major", "E major": "D♭ major"}}


def concert(name: str) -> keys.Key:
    minor = name.endswith("m")
    return keys.Key(name.removesuffix("m").replace("b", "-"), "minor" if minor else "major")


@pytest.mark.parametrize("reader", WRITTEN)
def test_written_pitch_sounds_as_the_score(reader: str) -> None:
    """From what is written, music21 makes the score's sounding notes, but for octaves; the clef,
    the transposition and every signature are the instrument's own, up to six accidentals."""
    score, found = sheets_of(
        key_cycle=CYCLE, line={"kind": "arpeggio", "note": "eighth"}, sheet={"also_for": [reader]}
    )
    (sheet,) = found.others
    up = interval.Interval(WRITTEN[reader])
    for name, section in zip(CYCLE, sheet.sections, strict=True):
        music = read(section.musicxml)
        drawn = music.recurse().getElementsByClass(clef.Clef)[0]
        assert isinstance(drawn, CLEFS.get(reader, clef.TrebleClef))
        given = music.recurse().getElementsByClass("Instrument")[0].transposition
        assert (given.semitones if given else 0) == -up.semitones
        signature = music.recurse().getElementsByClass(keys.KeySignature)[0].sharps
        moved = concert(name).transpose(up).sharps
        assert signature == (moved if abs(moved) <= 6 else moved - 12 * (moved // abs(moved)))
        wanted = expected(score, section)
        got = heard(music)
        assert [(n.start, n.duration, n.midi % 12) for n in got] == [
            (n.start, n.duration, n.midi % 12) for n in wanted
        ]


@pytest.mark.parametrize("reader", RESPELLED)
def test_keys_beyond_six_accidentals_are_respelled(reader: str) -> None:
    """Concert B is D flat for a B flat instrument and A flat (not G sharp) for one in E flat; the
    concert key is named beside it."""
    _, found = sheets_of(key_cycle=["B", "E"], line="roots", sheet={"also_for": [reader]})
    labels = [section.label for section in found.others[0].sections]
    concert_labels = [section.label for section in found.handout.sections]
    plain = {"Bb": ["C♯ major", "F♯ major"], "Eb": ["G♯ major", "C♯ major"]}[reader]
    for label, before, unread in zip(labels, concert_labels, plain, strict=True):
        assert label == f"{RESPELLED[reader].get(before, unread)} (concert {before})"


@pytest.mark.parametrize(("reader", "up"), [("Bb", "M2"), ("Eb", "M6")])
def test_chords_are_transposed(reader: str, up: str) -> None:
    """Each root is the concert root moved by music21's own interval, its kind unchanged."""
    _, found = sheets_of(
        key_cycle=["C", "Ab", "F"],
        progression="iiø7 | V7b9/3 | imaj7 | subV7",
        line="roots",
        sheet={"also_for": [reader]},
    )
    for here, there in zip(found.handout.sections, found.others[0].sections, strict=True):
        plain, moved = symbols(read(here.musicxml)), symbols(read(there.musicxml))
        assert [kind for _, kind in moved] == [kind for _, kind in plain]
        for (root, _), (written, _) in zip(plain, moved, strict=True):
            above = interval.Interval(up).transposePitch(_pitch(root))
            assert written in (above.name.replace("-", "b"), _simpler(above))


def _pitch(name: str) -> pitch.Pitch:
    return pitch.Pitch(name.replace("b", "-"))


def _simpler(found: pitch.Pitch) -> str:
    simple = found.getEnharmonic() if abs(found.alter) > 1 else found
    return str(simple.name).replace("-", "b")


@pytest.mark.parametrize(
    ("reader", "low", "high"),
    [
        ("flute", "C4", "C7"),
        ("violin", "G3", "E6"),
        ("viola", "C3", "E5"),
        ("trumpet", "E3", "Bb5"),
    ],
)
def test_a_bass_line_is_folded_into_the_reader_s_range(reader: str, low: str, high: str) -> None:
    """A bass line comes to lie in what another player has, by octaves (practical ranges as in
    orchestration handbooks, from memory); the bass player's own sheet stays as it was."""
    score, found = sheets_of(
        key_cycle="fourths", line={"kind": "walking"}, gaps="off", sheet={"also_for": [reader]}
    )
    for section in found.others[0].sections[::4]:
        sounding = [note.midi for note in heard(read(section.musicxml))]
        assert _pitch(low).midi <= min(sounding) and max(sounding) <= _pitch(high).midi
    own = found.handout.sections[0]
    assert heard(read(own.musicxml)) == expected(score, own)


def test_the_reader_s_own_sheet() -> None:
    """`instrument`, `transpose` and `clef` say who reads the sheet that is handed out."""
    for sheet, name, signs in (
        ({"instrument": "alto saxophone"}, "Alto saxophone in E♭", 3),
        (
            {"instrument": "alto saxophone", "transpose": "none"},
            "Alto saxophone at concert pitch",
            0,
        ),
        ({"transpose": "Bb"}, "B♭ instruments", 2),
        ({"clef": "tenor"}, "Double bass", 0),
    ):
        _, found = sheets_of(key_cycle="C", line="roots", sheet=sheet)
        assert found.handout.reader == name
        music = read(found.handout.musicxml)
        assert music.recurse().getElementsByClass(keys.KeySignature)[0].sharps == signs


@pytest.mark.parametrize(
    ("setting", "expected"),
    [
        ("sheet.also_for=sousaphone", ['"sousaphone" is no reader', "tuba"]),
        ("sheet.also_for=alto", ["clef or the saxophone", "alto clef, alto saxophone"]),
        ("sheet.also_for=[Bb, Bb]", ['"Bb" stands here twice']),
        ("sheet.transpose=F", ['"F" is not known', "Bb, Eb"]),
        ("sheet.clef=soprano", ['"soprano" is not known', "treble"]),
        ("sheet.responses=blank", ['"blank" is not known', "slashes, empty"]),
    ],
)
def test_readers_that_are_none(drillgen: Run, setting: str, expected: list[str]) -> None:
    """A reader, clef or transposition that is none is refused with what there is."""
    done = drillgen("check", "first-two-fives", "--set", setting)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert all(words in done.stderr for words in expected), done.stderr


@pytest.mark.parametrize("name", ["double bass", "contrabass"])
def test_an_upright_by_its_other_names(drillgen: Run, name: str) -> None:
    """What orchestras call a double bass or contrabass is the upright, as player and as reader."""
    settings = (f"line.instrument={name}", f"sheet.instrument={name}")
    found = [
        drillgen("check", "first-two-fives", "--set", f"{setting.split('=')[0]}={instrument}")
        for setting in settings
        for instrument in (name, "upright")
    ]
    assert all(done.returncode == 0 for done in found), found[0].stderr
    assert found[0].stdout == found[1].stdout and found[2].stdout == found[3].stdout
