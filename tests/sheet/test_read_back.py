"""Sheets as another program reads them: music21 finds what the score has."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import verovio
from music21 import harmony
from music21 import key as keys

from drillgen.chart import Bar
from tests.composed import NAMES, composed, engraved
from tests.sheet.written import chords, expected, heard, read, sheets_of, symbols


def one_key(name: str) -> int:
    """Another key for each preset, so that all are met."""
    return NAMES.index(name)


@pytest.mark.parametrize("name", NAMES)
def test_notes_chords_and_signature(name: str) -> None:
    """In one key of each preset, music21 finds the score's notes as they sound, where and as long
    as they stand there, the key's signature (and the next one's over a bar that leads to it), and
    the chords in their order."""
    score, sheets = composed(name, 1)[0][0], engraved(name, 1)[0]
    sheet = sheets.revealed or sheets.handout
    section = sheet.sections[one_key(name) % len(sheet.sections)]
    music = read(section.musicxml)
    notes = expected(score, section)
    played = score.chart.bars[section.first_bar : section.last_bar + 1]
    main, _ = Counter(bar.key for bar in played).most_common(1)[0]
    # A pick-up begins in a bar of the key before.
    own = dict.fromkeys(bar.key for bar in played if bar.change or bar.key == main)
    signatures = [  # by music21's own table
        keys.Key(str(key.tonic).replace("b", "-"), key.mode).sharps for key in own
    ]
    assert [s.sharps for s in music.recurse().getElementsByClass(keys.KeySignature)] == signatures
    assert symbols(music) == chords(score, section)
    assert notes and heard(music) == notes


SYMBOLS = "C7b9 C7(b9,#11) C7alt Cm7b5 C7#5 Cmaj7#11 C13#11 C6/9 Cadd9 C7sus4 C7b5 C7(#9,b13)"


def test_chord_symbols_are_printed_once() -> None:
    """The text of a kind and the degrees printed after it, spelled as MusicXML 4.0 has it
    (`degree-type/@text`, the accidental of `degree-alter`, the number), are the symbol: no degree
    stands in both."""
    alters = {"-1": "♭", "0": "", "1": "♯"}
    for symbol in SYMBOLS.split():
        _, found = sheets_of(progression=symbol, key_cycle="C", gaps="off", ending="none")
        harmony = ET.fromstring(found.handout.musicxml).find(".//harmony")
        assert harmony is not None
        kind, degrees = harmony.find("kind"), []
        for degree in harmony.findall("degree"):
            if degree.get("print-object") != "no":
                added = degree.find("degree-type")
                assert added is not None
                sign = alters[degree.findtext("degree-alter", "")]
                degrees.append(added.get("text", "") + sign + degree.findtext("degree-value", ""))
        assert kind is not None
        spelled = "C" + kind.get("text", "") + "".join(degrees)
        plain = symbol.replace("b", "♭").replace("#", "♯")
        assert spelled == plain.replace("(", "").replace(")", "").replace(",", "")
        assert (kind.get("parentheses-degrees") == "yes") == ("(" in symbol)


# A pick-up of two eighths, and bars that are full of it.
PICK_UP = {"kind": "written", "notes": "5,:e 6, | 1:q 3 5 3 | 1:h r:q"}
IN_THREES = {"kind": "written", "notes": "1:qt 3 5 1':h | 5:et 3 1 2:q. 3:e 5:q | 1:q. 2:q 3:q."}

THREES_BEFORE = {"kind": "written", "notes": "4:st 7 1' | 1:h 3:h | 5:h r:q 1':e"}


@pytest.mark.parametrize(
    "drill",
    [
        {"line": PICK_UP, "gaps": {"call": 2, "response": 2}},
        {"line": PICK_UP, "gaps": "off", "count_in": 1},
        {"line": PICK_UP, "gaps": "off", "count_in": 0},
        {"line": PICK_UP, "gaps": "off", "key_change": "ii V"},
        {"line": PICK_UP, "gaps": "off", "ending": "iii VI ii V"},
        {"line": "walking", "gaps": "off", "ending": "iii VI ii V", "key_change": "V7"},
        {"line": IN_THREES, "gaps": "off", "progression": "I | IV | V"},
        {"line": THREES_BEFORE, "gaps": "off", "progression": "Imaj7 | IVmaj7"},
        {"line": "walking", "gaps": "off", "ending": "tag", "progression": "I | IV | V | I | vi7"},
        {"line": {"kind": "guide tones", "voices": "both", "instrument": "piano"}},
        {"line": {"kind": "arpeggio", "note": "triplet"}, "meter": "3/4"},
    ],
)
def test_no_time_is_lost_and_no_note(drill: dict[str, object]) -> None:
    """Pick-ups, triplets over two beats, ties over the middle, two voices, a tag: each note of the
    score is heard once, and all measures together are as long as the track is from there on."""
    score, found = sheets_of(
        **{"progression": "Imaj7 | % | IVmaj7 | %", "key_cycle": ["C", "Ab"], **drill}
    )
    chart, part = score.chart, score.part("line")
    assert part is not None
    counted = [bar for bar in chart.bars if bar.role == "count-in"]
    begins = min(part.notes[0].start // 1, counted[-1].end if counted else Fraction(0))
    wanted = sorted((n.start - begins, n.duration, n.pitch.midi) for n in part.notes)
    assert heard(read(found.handout.musicxml)) == wanted
    notes = [
        n for n in ET.fromstring(found.handout.musicxml).iter("note") if n.find("chord") is None
    ]
    assert sum(Fraction(n.findtext("duration", "0")) for n in notes) / 48 == chart.end - begins
    # MusicXML 4.0: each bracket of a triplet that is opened is closed.
    brackets = [t.get("type") for n in notes for t in n.findall("notations/tuplet")]
    assert brackets == ["start", "stop"] * (len(brackets) // 2)


@pytest.mark.parametrize("name", NAMES[::4])
def test_verovio_finds_the_same_notes(name: str) -> None:
    """A second program, which the sheets are engraved with, has each note where the score has it,
    an octave higher for a bass (it shows what is written)."""
    score, sheets = composed(name, 1)[0][0], engraved(name, 1)[0]
    sheet = sheets.revealed or sheets.handout
    section = sheet.sections[one_key(name) % len(sheet.sections)]
    struck = {
        note.get("id") or ""
        for note in ET.fromstring(section.musicxml).iter("note")
        if note.find("pitch") is not None
        and note.find("notehead") is None
        and "stop" not in [tie.get("type") for tie in note.iter("tie")]
    }
    toolkit = verovio.toolkit()
    toolkit.loadData(section.musicxml)
    toolkit.renderToMIDI()
    found = [
        (round(moment["qstamp"] * 48), toolkit.getMIDIValuesForElement(note)["pitch"])
        for moment in toolkit.renderToTimemap()
        for note in moment.get("on", [])
        if note in struck
    ]
    up = sheet.heading.written.semitones
    wanted = [
        [(round(n.start * 48), n.midi + up) for n in expected(score, section, played=played)]
        for played in (False, True)  # it plays repeats where it can
    ]
    assert sorted(found) in wanted


SONG = {
    "progression": {
        "A": {
            "bars": "I6 vi7 | ii7 V7 | iii7 VI7",
            "endings": ["ii7 V7 | I6", "ii7 V7 / / | IV7 | I6"],
        },
        "B": "IVmaj7 | % | ii7 | V7",
        "form": "A A B A",
    },
    "key_cycle": ["F", "Ab"],
    "gaps": "off",
}
HOME = {
    "progression": "I6 | ii7 V7 | iii7 VI7 | ii7 V7 | I7 | IV7 | I6 VI7 | ii7 V7",
    "key_cycle": ["F"],
    "passes": 3,
    "ending": "home",
    "gaps": "off",
}


@pytest.mark.parametrize(
    ("drill", "endings"),
    [
        (SONG | {"line": "roots"}, ["1", "2"]),
        (SONG | {"sheet": "chords"}, ["1", "2"]),
        (HOME | {"sheet": "chords"}, ["1,2", "3"]),
    ],
)
def test_endings_are_played_as_they_are_heard(drill: dict[str, object], endings: list[str]) -> None:
    """What reads alike before a first and a second ending is printed once: fewer measures than are
    played, the endings under brackets; with its repeats played out by music21 the sheet has every
    bar's chords in their order, and the page finds each bar."""
    score, sheets = sheets_of(**drill)
    section = sheets.handout.sections[-1]
    played = score.chart.bars[section.first_bar :]
    assert len(section.bar_ids) < len(played)
    marks = ET.fromstring(section.musicxml).findall(".//ending[@type='start']")
    assert [mark.get("number") for mark in marks] == endings
    assert symbols(read(section.musicxml).expandRepeats()) == _sounding(played)
    shown = dict(sheets.handout.shown_in)
    assert {f"b{bar.number}" for bar in played} <= set(shown)
    assert set(shown.values()) == {i for each in sheets.handout.sections for i in each.bar_ids}


SECTIONS = {
    "intro": "V7 | %",
    "A": {"bars": "I6 vi7 | ii7 V7 | iii7 VI7 | ii7 V7", "to_coda": 2},
    "B": "IVmaj7 | % | ii7 | V7",
    "coda": "iii7 | VI7 | ii7 V7 | I6",
}
CODA = {"key_cycle": ["F", "Ab"], "gaps": "off", "sheet": "chords"}
_TOP, _SIGN = ["tocoda", "dacapo", "coda"], ["segno", "tocoda", "dalsegno", "coda"]
FINE = {
    "A": {"bars": "I6 vi7 | ii7 V7 | iii7 VI7 | ii7 V7", "fine": 3},
    "B": "IVmaj7 | % | ii7 | V7",
}


@pytest.mark.parametrize(
    ("form", "passes", "printed", "signs"),
    [
        ("A B A", 3, 12 + 4, [_TOP, _SIGN]),
        ("A B A", 1, 8 + 4, [_TOP, _SIGN]),
        ("intro A B A coda", 1, 10 + 4, [_SIGN, _SIGN]),
    ],
)
def test_codas_are_played_as_they_are_heard(
    form: str, passes: int, printed: int, signs: list[list[str]]
) -> None:
    """What comes again before a coda is printed once: played out by music21 the sheet of each key
    has every bar's chords in their order, the first from the top, others from a segno; the jumps
    are MusicXML 4.0's sounds, and the page finds each bar."""
    score, sheets = sheets_of(progression=SECTIONS | {"form": form}, passes=passes, **CODA)
    shown = dict(sheets.handout.shown_in)
    for section, jumps in zip(sheets.handout.sections, signs, strict=True):
        key = score.chart.bars[section.first_bar].key
        played = [bar for bar in score.chart.bars[section.first_bar :] if bar.key == key]
        ending = sum(bar.role == "ending" for bar in played)
        assert len(section.bar_ids) == printed + ending
        assert symbols(read(section.musicxml).expandRepeats()) == _sounding(played)
        sounds = ET.fromstring(section.musicxml).iterfind(".//sound")
        assert [name for sound in sounds for name in sound.attrib if name in _SIGN + _TOP] == jumps
        assert {shown[f"b{bar.number}"] for bar in played} == set(section.bar_ids)


@pytest.mark.parametrize(
    ("ending", "jumps"),
    [
        ("none", [["fine", "dacapo"], ["segno", "fine", "dalsegno"]]),
        ("hold", [["fine", "dacapo"], _SIGN]),
    ],
)
def test_a_form_that_ends_at_the_fine(ending: str, jumps: list[list[str]]) -> None:
    """What comes back up to the Fine is printed once, and music21 plays it; a last chord that the
    track adds to it follows as a coda does."""
    drill = CODA | {"progression": FINE | {"form": "A B A"}, "ending": ending}
    score, sheets = sheets_of(**drill)
    for section, signs in zip(sheets.handout.sections, jumps, strict=True):
        key = score.chart.bars[section.first_bar].key
        played = [bar for bar in score.chart.bars[section.first_bar :] if bar.key == key]
        assert len([bar for bar in played if bar.role != "ending"]) == 4 + 4 + 3
        assert len(section.bar_ids) == 4 + 4 + sum(bar.role == "ending" for bar in played)
        assert symbols(read(section.musicxml).expandRepeats()) == _sounding(played)
        sounds = ET.fromstring(section.musicxml).iterfind(".//sound")
        names = [name for sound in sounds for name in sound.attrib if name != "tempo"]
        assert names == signs


def test_a_coda_after_other_music_is_written_out() -> None:
    """A line that is another each time is printed bar by bar, without jumps."""
    score, sheets = sheets_of(progression=SECTIONS | {"form": "A B A coda"}, line="walking",
                              gaps="off", key_cycle="F")  # fmt: skip
    printed = [i for section in sheets.handout.sections for i in section.bar_ids]
    assert len(printed) == sum(bar.role != "count-in" for bar in score.chart.bars)
    assert "To\u00a0Coda" not in sheets.handout.musicxml


def _sounding(bars: Sequence[Bar]) -> list[tuple[str, str]]:
    """Roots and kinds of the chords that are played, each once while it stays."""
    spans = (span for bar in bars for span in bar.spans if span.chord)
    found: list[tuple[str, str]] = []
    for span in spans:
        assert span.chord is not None
        kind = harmony.CHORD_ALIASES.get(span.chord.kind, span.chord.kind)
        found += [one for one in [(str(span.chord.root), kind)] if found[-1:] != [one]]
    return found


def test_endings_that_read_otherwise_are_written_out() -> None:
    """A line that is another in each section is printed bar by bar, without brackets."""
    score, sheets = sheets_of(**SONG | {"line": "walking"})
    printed = [i for section in sheets.handout.sections for i in section.bar_ids]
    assert len(printed) == sum(bar.role != "count-in" for bar in score.chart.bars)
    assert "<ending" not in sheets.handout.musicxml


_LILYPOND = Path(os.environ.get("DRILLGEN_LILYPOND", Path(sys.prefix) / "lilypond"))


def in_lilypond(text: str, folder: Path) -> str:
    """A sheet as LilyPond's own reader of MusicXML writes it down; skipped where it is missing."""
    own = _LILYPOND / "usr" / "bin" / "musicxml2ly"
    program = own if own.exists() else shutil.which("musicxml2ly")
    if program is None:
        pytest.skip("there is no musicxml2ly, and tools/fetch_deb.sh could fetch none")
    source, target = folder / "sheet.musicxml", folder / "sheet.ly"
    source.write_text(text, "utf-8")
    command = [sys.executable, str(program), "--absolute", "-o", str(target), str(source)]
    subprocess.run(command, capture_output=True, check=True)
    return target.read_text("utf-8")


def test_lilypond_reads_the_same(tmp_path: Path) -> None:
    """LilyPond's reader finds as many notes of each length, slashes, chords and their altered
    degrees as the sheet has, and a tablature with its strings."""
    _, found = sheets_of(
        progression="ii7 | V7(b9,#11) | Imaj7#11 | VI7alt",
        key_cycle=["C"],
        line={"kind": "arpeggio", "instrument": "electric"},
        sheet={"tablature": True},
    )
    text = in_lilypond(found.handout.musicxml, tmp_path)
    voices = dict(re.findall(r"^(PartPOne\w+) =\s+(.*?)^    \}", text, re.MULTILINE | re.DOTALL))
    staff, chords, tab = (
        voices[f"PartPOne{name}"] for name in ("VoiceOne", "VoiceOneChords", "VoiceFive")
    )
    assert re.findall(r"\b[a-g](?:is|es)?[,']*(\d+)", re.sub(r"\\\w+", "", staff)) == (
        ["4"] * 14 + ["2"] + ["4"] * 16 + ["1", "1"]
    )
    assert staff.count("'slash") == 16
    for symbol in ("d4:m7", "g4:7.9-.11+", "c4:maj7.11+", "a4:7.9-.9+.13-^5"):
        assert chords.count(symbol) == 2
    song = sheets_of(**SONG | {"line": "roots"})[1].handout.musicxml
    # Of its own layout: it takes a line's break before an ending for the end of the repeat.
    folded = in_lilypond(re.sub(r"<print new-system[^>]*>", "", song), tmp_path)
    assert folded.count("\\repeat volta 2") == folded.count("\\alternative") == 2 * 2
    coda = sheets_of(progression=SECTIONS | {"form": "A B A"}, **CODA)[1].handout.musicxml
    # Which it leaves to be read, in sound as well.
    marked = " ".join(in_lilypond(coda, tmp_path).split())
    assert len(re.findall(r"\{To Coda\} \} \|", marked)) == 2  # at the bar's end
    assert "'slash \\stemNeutral des4" in marked  # in A flat: no sign beside the slash
    assert (marked.count("scripts.coda"), marked.count("scripts.segno")) == (2 * 2, 1)
    assert marked.count("D.C. al Coda") == marked.count("D.S. al Coda") == 1
    assert '\\clef "tab"' in tab and "line-count =\n    #4" in tab
    assert len(re.findall(r"\\[1-4]\b", tab)) == 17
