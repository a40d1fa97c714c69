"""Degrees under the notes, and circles round what a line aims at."""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree as ET

import music21
import pytest

from drillgen.sheet.svg import whole_svg
from drillgen.theory.pitch import Name, degree_over
from tests.sheet.written import read, sheets_of

PLAIN = str.maketrans({chr(0x245F + number): str(number) for number in range(1, 14)})


def under(**drill: Any) -> list[str]:
    """The words under the notes of the handout, as Unicode has them."""
    _, found = sheets_of(key_cycle="C", sheet={"degrees": True}, gaps="off", **drill)
    return [text.text or "" for text in ET.fromstring(found.handout.musicxml).iter("text")]


def test_targets_are_circled_and_approaches_stay_bare() -> None:
    """Thirds enclosed over Dm7 G7 Cmaj7: a circled third under each target, nothing under the notes
    that lead to it (Unicode: U+2462 is a circled 3)."""
    found = under(progression="ii7 | V7 | Imaj7", line="enclosure", ending="none")
    assert found == ["♭③", "③", "③"]


def test_any_line_may_have_its_degrees() -> None:
    """A written line over C7: its own degrees where it has them, else those over the chord; what
    begins a chord on one of its tones is circled."""
    found = under(progression="C7", line={"kind": "written", "notes": "C2:q D2 Eb2 E2"},
                  ending="none")  # fmt: skip
    assert found == ["①", "2", "♭3", "3"]
    assert under(progression="C7/E", line="roots", ending="none") == ["③"]


@pytest.mark.parametrize("kind", ["guide tones", "arpeggio", "scale pattern", "walking", "roots"])
def test_every_note_says_what_it_is(kind: str) -> None:
    """Read back by music21: each note's degree is its interval over the root of its chord, by
    music21's own count, or the word is another name of that sound."""
    score, found = sheets_of(key_cycle="C", sheet={"degrees": True}, gaps="off", line=kind,
                             progression="iiø7 | V7b9 | i6 | VI7")  # fmt: skip
    part = read(found.handout.musicxml).parts[0]
    notes = [note for note in part.recurse().notes if note.isNote and note.lyric]
    assert len(notes) > 3
    chords = {bar.number: bar.spans[0].chord for bar in score.chart.bars if bar.spans}
    by_id = {f"b{number}": chord for number, chord in chords.items()}
    for measure in ET.fromstring(found.handout.musicxml).findall("part/measure"):
        chord = by_id.get(measure.get("id", ""))
        for note in measure.iter("note"):
            word = note.findtext("lyric/text", "").translate(PLAIN)
            if word and chord is not None and note.find("pitch") is not None:
                sound = music21.pitch.Pitch(
                    f"{note.findtext('pitch/step')}{note.findtext('pitch/octave')}"
                )
                sound.ps += int(note.findtext("pitch/alter") or 0)
                figure = int(word.lstrip("♭♯"))
                major = music21.interval.GenericInterval(figure)
                above = music21.scale.MajorScale("C").pitchFromDegree((figure - 1) % 7 + 1)
                flat = word.count("♯") - word.count("♭")
                assert major.directed == figure
                semitones = (above.pitchClass + flat) % 12
                assert (sound.pitchClass - chord.root.pitch_class) % 12 == semitones


def test_circles_are_drawn() -> None:
    """The picture has a circle for each circled figure and the plain figure inside: the sheet's
    font needs no other."""
    _, found = sheets_of(key_cycle="C", sheet={"degrees": True}, gaps="off", line="guide tones",
                         progression="ii7 | V7 | Imaj7", ending="none")  # fmt: skip
    text = whole_svg(found.handout.title, found.handout.sections)
    assert text.count("<circle") == 3
    assert not set(text) & {chr(0x2460 + number) for number in range(20)}


def test_a_degree_is_counted_as_music21_counts_it() -> None:
    """Over every root each name's number and alteration, by music21's interval within an octave."""
    names = [Name(fifths) for fifths in range(-8, 13)]
    for root in names:
        for name in names:
            low = music21.pitch.Pitch(str(root).replace("b", "-") + "3")
            high = music21.pitch.Pitch(str(name).replace("b", "-") + "4")
            found = degree_over(root, name)
            apart = music21.interval.Interval(low, high)
            assert (apart.generic.directed - found.number) % 7 == 0
            assert (apart.semitones - found.semitones) % 12 == 0


def test_a_tone_below_the_root_has_its_name_above_it() -> None:
    """The seventh that an arpeggio turns through, a tone under its root, is a b7 (common practice:
    degrees count up from the root); no degree is 0."""
    found = under(progression="V7 V7b9", line={"kind": "arpeggio", "note": "quarter"}, seed=1)
    assert "♭7" in found and not [word for word in found if word.endswith("0")]
