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


# How far a chord's root lies above the tonic (common practice).
ABOVE = {"iiø7": "M2", "V7b9/3": "P5", "imaj7": "P1", "subV7": "m2", "bVII7": "m7", "IVmaj7": "P4"}


@pytest.mark.parametrize("reader", ["Bb", "Eb", "horn"])
def test_chords_are_those_of_the_key_that_is_read(reader: str) -> None:
    """Each root is as far above the tonic that is read as its numeral says, by music21's own
    intervals: the way home by the back door in concert G flat, E7 there, is D flat 7 in E flat.
    A double flat, and C or F flat where the key has none, have their other name.  The kinds are
    those of the concert sheet."""
    _, found = sheets_of(
        key_cycle=["C", "Ab", "F", "Gb", "B"],
        progression=" | ".join(ABOVE),
        line="roots",
        gaps="off",
        ending="none",
        sheet={"also_for": [reader]},
    )
    for here, there in zip(found.handout.sections, found.others[0].sections, strict=True):
        plain, moved = symbols(read(here.musicxml)), symbols(read(there.musicxml))
        assert [kind for _, kind in moved] == [kind for _, kind in plain]
        tonic = there.label.split()[0].translate(SIGNS)
        for numeral, (written, _) in zip(ABOVE, moved, strict=True):
            above = interval.Interval(ABOVE[numeral]).transposePitch(pitch.Pitch(tonic))
            assert written.replace("b", "-") == _simpler(above, concert_signature(tonic))


SIGNS = str.maketrans({"♭": "-", "♯": "#"})  # music21's own


def concert_signature(tonic: str) -> int:
    return int(keys.Key(tonic, "major").sharps)


def _simpler(found: pitch.Pitch, signature: int) -> str:
    needs = {"C-": -6, "F-": -7}.get(found.name)
    rare = needs is not None and signature > needs
    return str((found.getEnharmonic() if rare or abs(found.alter) > 1 else found).name)


@pytest.mark.parametrize(("key", "reader", "read_in"), [("B", "Bb", "Db"), ("E", "Eb", "Db")])
def test_a_line_is_spelled_in_the_key_that_is_read(key: str, reader: str, read_in: str) -> None:
    """An altered scale over A flat 7 that sounds in B or E is named as the same scale in D flat is:
    b13 by its letter, F flat, then D, B and A, no double flat among five (hand-worked, common
    practice)."""
    asked = {"progression": "ii7 | V7alt | Imaj7 | %", "gaps": "off", "ending": "none"}
    line = {
        "kind": "scale pattern",
        "pattern": "scale",
        "note": "eighth",
        "direction": "alternating",
    }
    _, moved = sheets_of(**asked, line=line, key_cycle=key, sheet={"also_for": [reader]})
    _, own = sheets_of(**asked, line=line, key_cycle=read_in)
    names, there = (
        [each.pitch.name for each in read(sheet.musicxml).recurse().getElementsByClass("Note")]
        for sheet in (moved.others[0], own.handout)
    )
    assert names == there and {"F-", "D", "B", "A"} <= set(names)
    assert not any("--" in name for name in names)


def _pitch(name: str) -> pitch.Pitch:
    return pitch.Pitch(name.replace("b", "-"))


@pytest.mark.parametrize(
    ("reader", "low", "high"),
    [
        ("flute", "C4", "C7"),
        ("violin", "G3", "E6"),
        ("viola", "C3", "E5"),
        ("trumpet", "E3", "Bb5"),
        ("horn", "C3", "F5"),  # written from G below the treble staff, where a student is at ease
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
