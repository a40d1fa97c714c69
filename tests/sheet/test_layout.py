"""What a sheet shows, and where: from the MusicXML as any program finds it."""

from __future__ import annotations

import re
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from music21 import pitch

from drillgen.errors import DrillgenError
from drillgen.sheet.sheets import Sheet
from tests.sheet.written import sheets_of

FORM = {"A": "Dm7 | G7 | Cmaj7 | %", "B": "Fm7 | Bb7 | Ebmaj7 | A7b9", "form": "A B A"}


def handout(**drill: Any) -> Sheet:
    return sheets_of(**drill)[1].handout


def measures(sheet: Sheet) -> list[ET.Element]:
    return ET.fromstring(sheet.musicxml).findall("part/measure")


def has(measure: ET.Element, path: str) -> bool:
    return measure.find(path) is not None


def is_pitched(note: ET.Element) -> bool:
    """Whether it is a note to be read: a slash has a place on the staff, too."""
    return has(note, "pitch") and note.findtext("notehead") != "slash"


def words(sheet: Sheet) -> dict[str, list[str]]:
    """The words over each bar that has any, without key and tempo."""
    found = {
        m.get("id", ""): [w.text or "" for w in m.iter("words") if w.get("font-weight") is None]
        for m in measures(sheet)
    }
    return {identity: texts for identity, texts in found.items() if texts}


def systems(sheet: Sheet) -> list[int]:
    """How many bars each system has."""
    sizes: list[int] = []
    for measure in measures(sheet):
        if not sizes or has(measure, "print[@new-system='yes']"):
            sizes.append(0)
        sizes[-1] += 0 if (measure.get("id") or "").endswith("p") else 1
    return sizes


def test_every_bar_but_the_count_in_has_its_id() -> None:
    """Measures carry the index of their bar in the chart; the count-in's two are not printed."""
    score, found = sheets_of(key_cycle=["C", "F"], line="roots", count_in=2)
    ids = [m.get("id") for m in measures(found.handout)]
    assert ids == [f"b{bar.number}" for bar in score.chart.bars if bar.role != "count-in"]
    assert ids[0] == "b2"
    assert [i for section in found.handout.sections for i in section.bar_ids] == ids


def test_note_ids_are_unique_and_tell_their_bar() -> None:
    """No two notes share an id, and each id begins with its measure's."""
    sheet = handout(key_cycle="fourths", line={"kind": "guide tones", "voices": "both"})
    for measure in measures(sheet):
        notes = [note.get("id") or "" for note in measure.iter("note")]
        assert all(re.fullmatch(rf"{measure.get('id')}n\d+(c\d+)?", each) for each in notes)
    every = [note.get("id") for m in measures(sheet) for note in m.iter("note")]
    assert len(set(every)) == len(every)


def test_tracks_by_key_share_a_sheet() -> None:
    """Where each key is a track of its own, one sheet holds them all, and ids name the key."""
    _, found = sheets_of(key_cycle=["C", "F"], line="roots", tracks="per key", tempo=[60, 90])
    assert [section.label for section in found.handout.sections] == ["C major", "F major"]
    ids = [m.get("id") or "" for m in measures(found.handout)]
    assert ids[0] == "k0b2" and "k1b2" in ids and len(set(ids)) == len(ids)
    assert found.handout.tempo == "♩ = 60, 90"


@pytest.mark.parametrize(
    ("drill", "sizes"),
    [
        ({}, [4, 4, 2]),
        ({"gaps": {"call": 2, "response": 2}}, [4, 4, 2]),
        ({"gaps": {"call": 3, "response": 3}, "progression": "I | IV | V"}, [3, 3, 2]),
        ({"progression": "I | IV | V | I | IV", "gaps": "off"}, [3, 2, 2]),
        ({"progression": FORM, "gaps": "off", "ending": "none"}, [4, 4, 4]),
        ({"progression": FORM, "gaps": "off", "ending": "tag"}, [4, 4, 4, 4, 2]),
        (
            {
                "progression": {
                    "A": {"bars": "I | IV | V", "endings": ["I | V", "IV | V | I"]},
                    "form": "A A",
                },
                "gaps": "off",
                "ending": "none",
            },
            [3, 2, 3],
        ),
    ],
)
def test_four_bars_a_system(drill: dict[str, Any], sizes: list[int]) -> None:
    """Four bars a line; sections and the ending begin a line; calls of three stay whole, as do
    first and second endings, and no bar stands alone (common practice)."""
    assert systems(handout(key_cycle="C", line="roots", **drill)) == sizes


def test_sections_have_letters_and_double_bars() -> None:
    """Each section of a form has its letter, and a double bar before the next; the end is final."""
    sheet = handout(progression=FORM, key_cycle="C", line="roots", gaps="off", ending="none")
    bars = measures(sheet)
    letters = {i: m.findtext(".//rehearsal") for i, m in enumerate(bars) if has(m, ".//rehearsal")}
    assert letters == {0: "A", 4: "B", 8: "A"}
    styles = {i: m.findtext("barline/bar-style") for i, m in enumerate(bars) if has(m, "barline")}
    assert styles == {3: "light-light", 7: "light-light", 11: "light-heavy"}


def test_each_key_is_named_in_a_box_and_has_its_signature() -> None:
    """At each key a boxed name and a new signature."""
    sheet = handout(key_cycle=["Bb", "F#m"], line="roots")
    boxed = [
        (m.findtext(".//words[@enclosure='rectangle']"), m.findtext("attributes/key/fifths"))
        for m in measures(sheet)
        if has(m, ".//words[@enclosure='rectangle']")
    ]
    assert boxed == [("B♭ major", "-2"), ("F♯ minor", "3")]


def test_passes_that_read_alike_are_printed_once() -> None:
    """Three equal passes stand between repeats, marked ×3; the page still finds every bar."""
    score, found = sheets_of(key_cycle="C", passes=3, gaps={"call": 4, "response": 4})
    bars = measures(found.handout)
    assert len(bars) == 8 + 2
    assert has(bars[0], "barline[@location='left']/repeat[@direction='forward']")
    closing = bars[7].find("barline[@location='right']/repeat")
    assert closing is not None and closing.get("times") == "3"
    assert "×3" in [w.text for w in bars[7].iter("words")]
    shown = dict(found.handout.shown_in)
    assert shown["b2"] == shown["b10"] == shown["b18"] == "b2"
    assert set(shown) == {f"b{bar.number}" for bar in score.chart.bars[2:]}


def test_passes_that_differ_are_printed_each() -> None:
    """A line that is new in every pass has no repeats."""
    sheet = handout(key_cycle="C", line="walking", passes=2, gaps="off")
    assert not [m for m in measures(sheet) if has(m, "barline/repeat")]


def test_between_keys() -> None:
    """The bar that leads to another key stands at the end of a full system and names the key and
    its starting note as the reader sees them: for a horn a fifth above the score's (music21's own
    interval). Passes that differ are labelled."""
    asked = {"key_cycle": ["C", "Eb"], "key_change": "note", "passes": 3, "line": "walking"}
    score, found = sheets_of(**asked, gaps="off", ending="none", sheet={"also_for": ["horn"]})
    assert systems(found.handout) == [4, 4, 5, 4, 4, 4]
    line = score.part("line")
    bar = next(bar for bar in score.chart.bars if bar.change)
    assert line
    sounding = next(note for note in line.notes if note.start >= bar.start).pitch
    name = pitch.Pitch(midi=sounding.midi).transpose("P5").pitchClass
    over = [text for texts in words(found.others[0]).values() for text in texts]
    labels = [f"{nth} time" for nth in ("first", "second", "third")]
    assert [text for text in over if "time" in text] == 2 * labels
    (to,) = [text for text in over if text.startswith("to ")]
    key, start = to.removeprefix("to ").split(", from ")
    assert key == "B♭ major"
    assert pitch.Pitch(start.replace("♭", "-").replace("♯", "#")).pitchClass == name


def test_responses_have_slashes_or_room() -> None:
    """Responses are slashes under "your turn"; or, where asked for, empty to write in."""
    sheet = handout(key_cycle="C", line="roots")
    assert words(sheet) == {"b6": ["your turn"]}
    slashed = {m.get("id"): len(m.findall("note[notehead='slash']")) for m in measures(sheet)}
    assert {bar: count for bar, count in slashed.items() if count} == dict.fromkeys(
        ("b6", "b7", "b8", "b9"), 4
    )
    room = measures(handout(key_cycle="C", line="roots", sheet={"responses": "empty"}))[4]
    assert not has(room, ".//notehead") and has(room, "note[@print-object='no']/rest")


def test_slashes_lie_on_the_line_as_the_key_has_it() -> None:
    """The middle line of a bass clef is D: flat in A flat, sharp in B, natural in F (common
    practice), or programs that read the sheet print a sign beside each slash."""
    sheet = handout(key_cycle=["Ab", "B", "F"], line="roots", gaps=4)
    found = [
        {(n.findtext("pitch/step"), n.findtext("pitch/alter")) for n in measure.iter("note")}
        for measure in measures(sheet)
        if has(measure, "note[notehead='slash']")
    ]
    assert found == [{("D", alter)} for alter in ("-1", "1", None) for _ in range(4)]


def test_slashes_count_the_beats() -> None:
    """A slash a beat: four dotted ones in 12/8, and in a bar that ends in a pick-up only its free
    beats."""
    slow = handout(key_cycle="C", line="roots", feel="slow 12/8")
    first = next(m for m in measures(slow) if has(m, ".//notehead"))
    assert [n.text for n in first.iter("notehead")] == ["slash"] * 4
    assert len(first.findall("note/dot")) == 4
    line = {"kind": "written", "notes": "5,:e 6, | 1:q 3 5 3 | 1:h r:q"}
    sheet = handout(
        progression="I | % | IV | %", key_cycle="C", gaps={"call": 2, "response": 2}, line=line
    )
    slashed = [m for m in measures(sheet) if has(m, ".//notehead")]
    bar = next(m for m in slashed if has(m, "note[type='eighth']"))
    kinds = ["slash" if has(n, "notehead") else n.findtext("type") for n in bar.iter("note")]
    assert kinds == ["slash", "slash", "slash", "eighth", "eighth"]


def test_a_last_chord_without_a_line_is_held_by_a_slash() -> None:
    """Where no line is printed, the held chord is one slash as long as its bars, tied, under a
    fermata (common practice): a rest would say that nobody plays."""
    sheet = handout(key_cycle="C", sheet={"show": "chords"}, feel="five-four swing")
    *_, first, last = measures(sheet)
    assert has(first, "harmony")
    signs = [*first.iter("note"), *last.iter("note")]
    assert [n.findtext("type") for n in signs] == ["half", "half"] * 2
    assert [has(n, "dot") for n in signs] == [True, False] * 2  # three and two beats
    assert all(n.findtext("notehead") == "slash" for n in signs)
    ties = [[tie.get("type") for tie in n.iter("tied")] for n in signs]
    assert ties == [["start"], ["stop", "start"], ["stop", "start"], ["stop"]]
    assert [has(n, "notations/fermata") for n in signs] == [False, False, False, True]


def test_chords_only_and_line_only() -> None:
    """`show: chords` has no line, `show: line` no chord symbols, and `both` has both."""
    for show, notes, symbols in (("chords", 0, 6), ("line", 4, 0), ("both", 4, 6)):
        sheet = handout(key_cycle="C", progression="ii7 | V7 | I6 | %", line="roots", sheet=show)
        pitched = [n for m in measures(sheet)[:8] for n in m.iter("note") if is_pitched(n)]
        named = [h for m in measures(sheet)[:8] for h in m.iter("harmony")]
        assert bool(pitched) == bool(notes)
        assert len(named) == symbols


def test_phrases_are_printed_only_on_the_answers() -> None:
    """What is learned by ear is not on the sheet that is handed out first: it says when to listen;
    the answers have every note of the calls with its degree."""
    score, found = sheets_of(key_cycle=["C", "F"], line="phrases")
    assert not [n for m in measures(found.handout) for n in m.iter("note") if is_pitched(n)]
    assert list(words(found.handout).values())[:2] == [["listen"], ["your turn"]]
    assert found.revealed is not None and found.answers == found.revealed.musicxml
    part = score.part("line")
    assert part is not None
    texts = [t.text for m in measures(found.revealed) for t in m.iter("text")]
    assert texts == [note.mark.replace("b", "♭").replace("#", "♯") for note in part.notes]
    assert sheets_of(key_cycle="C", line="roots")[1].revealed is None


def test_a_pick_up_stands_before_its_key() -> None:
    """A pick-up that sounds in the count-in, or in the last response of the key before, is a short
    measure before the first bar of its own key; that last bar is shorter by as much."""
    _, found = sheets_of(
        progression="Imaj7 | %",
        key_cycle=["C", "Ab"],
        gaps={"call": 2, "response": 2},
        line={"kind": "written", "notes": "5,:e 6, | 1:q 3 5 3 | 1:h r:q"},
    )
    lengths = {
        m.get("id"): sum(int(n.findtext("duration", "0")) for n in m.iter("note")) / 48
        for m in measures(found.handout)
    }
    assert list(lengths)[:6] == ["b1p", "b2", "b3", "b4", "b5", "b5p"]
    assert (lengths["b1p"], lengths["b2"], lengths["b5"], lengths["b5p"]) == (1, 4, 3, 1)
    assert [section.bar_ids[0] for section in found.handout.sections] == ["b1p", "b5p"]
    steps = [n.findtext("pitch/step") for n in measures(found.handout)[5].iter("note")]
    assert steps == ["E", "F"]  # the fifth and sixth of A flat, not of C
    assert dict(found.handout.shown_in)["b1"] == "b1p"


def test_tempo_and_swing() -> None:
    """The metronome counts the meter's beat; it says who swings and who plays straight."""
    swing = ET.fromstring(handout(key_cycle="C", line="roots", tempo=120).musicxml)
    assert swing.findtext(".//metronome/per-minute") == "120"
    assert [e.tag for e in swing.findall(".//sound/swing/*")] == ["first", "second", "swing-type"]
    slow = ET.fromstring(handout(key_cycle="C", line="roots", feel="slow 12/8", tempo=50).musicxml)
    assert slow.find(".//metronome/beat-unit-dot") is not None
    sound = slow.find(".//sound")
    assert sound is not None and sound.get("tempo") == "75"  # quarter notes a minute
    bossa = handout(key_cycle="C", line="roots", feel="bossa nova")
    assert ET.fromstring(bossa.musicxml).find(".//swing/straight") is not None
    assert bossa.facts.startswith("Bossa nova (straight eighths) · count-in 2 bars · call 4 bars")


def test_fingers_strings_and_positions_are_rows() -> None:
    """G major is 2 0 1 2 0 1 4 0 from the E string on, in the first position, each word under its
    note (common practice: the first scale of every method); two solutions are six rows."""
    scale = {"kind": "written", "notes": "1:q 2 3 4 | 5 6 7 1'", "range": "E1 to G3"}
    drill = {"progression": "Imaj7 | %", "key_cycle": "G", "gaps": "off", "ending": "none"}
    sheet = handout(**drill, line=scale, sheet={"fingering": True})
    rows: dict[str, list[str]] = {}
    for measure in measures(sheet):
        for lyric in measure.iter("lyric"):
            rows.setdefault(lyric.get("name", ""), []).append(lyric.findtext("text", ""))
    assert "".join(rows["finger"]) == "20120140" and "".join(rows["string"]) == "EAAADDDG"
    assert rows["position"] == ["I"]
    two = handout(**drill, line=scale, sheet={"fingering": {"solutions": "two"}})
    numbers = {each.get("number") for m in measures(two) for each in m.iter("lyric")}
    assert numbers == {"1", "2", "3", "4", "5", "6"}


def test_tablature_sounds_as_the_staff() -> None:
    """Open string and fret of each number give the staff's pitch, an octave lower as it sounds."""
    line = {"kind": "walking", "instrument": "electric"}
    sheet = handout(key_cycle=["C", "Gb"], line=line, gaps="off", sheet={"tablature": True})
    opens = {"4": 28, "3": 33, "2": 38, "1": 43}  # E1 A1 D2 G2: common practice
    checked = 0
    for note in (n for m in measures(sheet) for n in m.iter("note") if n.findtext("staff") == "2"):
        if has(note, "pitch"):
            step, octave = note.findtext("pitch/step", ""), int(note.findtext("pitch/octave", "0"))
            alter = int(note.findtext("pitch/alter", "0"))
            written = (
                12 * (octave + 1) + {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[step]
            )
            string = note.findtext(".//string", "")
            fret = int(note.findtext(".//fret", "0"))
            assert opens[string] + fret == written + alter - 12
            checked += 1
    assert checked > 30


def test_tablature_is_for_the_electric_bass() -> None:
    """A tablature for another reader is refused in plain words."""
    with pytest.raises(DrillgenError, match=r"electric bass.*upright.*instrument: electric"):
        handout(key_cycle="C", line="roots", sheet={"tablature": True})
