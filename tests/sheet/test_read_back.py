"""Sheets as another program reads them: music21 finds what the score has."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from xml.etree import ElementTree as ET

import pytest
import verovio
from music21 import key as keys

from tests.composed import NAMES, composed, engraved, of_preset
from tests.sheet.written import chords, expected, heard, read, sheets_of, symbols


def one_key(name: str) -> int:
    """Another key for each preset, so that all are met."""
    return NAMES.index(name)


@pytest.mark.parametrize("name", [*map(of_preset, NAMES)])
def test_notes_chords_and_signature(name: str) -> None:
    """In one key of each preset, music21 finds the score's notes as they sound, where and as long
    as they stand there, the key's signature (and the next one's over a bar that leads to it), and
    the chords in their order."""
    score, sheets = composed(name, 1)[0][0], engraved(name, 1)[0]
    sheet = sheets.revealed or sheets.handout
    section = sheet.sections[one_key(name) % len(sheet.sections)]
    music = read(section.musicxml)
    notes = expected(score, section)
    assert notes and heard(music) == notes
    played = score.chart.bars[section.first_bar : section.last_bar + 1]
    main, _ = Counter(bar.key for bar in played).most_common(1)[0]
    # A pick-up begins in a bar of the key before.
    own = dict.fromkeys(bar.key for bar in played if bar.change or bar.key == main)
    signatures = [  # by music21's own table
        keys.Key(str(key.tonic).replace("b", "-"), key.mode).sharps for key in own
    ]
    assert [s.sharps for s in music.recurse().getElementsByClass(keys.KeySignature)] == signatures
    assert symbols(music) == chords(score, section)


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


@pytest.mark.parametrize("name", [*map(of_preset, NAMES[::4])])
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
