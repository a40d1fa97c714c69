"""Guide tones from key to key, inversions of arpeggios, and lines that begin inside the bar."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from drillgen.drill.files import list_presets
from drillgen.drill.lesson import load
from drillgen.drill.messages import DrillError
from drillgen.drill.reader import drill_of
from tests.lines.writing import (
    WITHOUT_OTHERS,
    keys,
    line,
    names,
    pitches,
    progressions,
    spans,
    written,
)


def test_the_thread_goes_on_into_the_next_key() -> None:
    """C major to B flat: the last B goes a semitone to Bb, the seventh of Cm7, and on: A A
    (hand-worked); cut, the next key would begin on 3 again."""
    options = {"kind": "guide tones", "begin_on": 3}
    on = written(key_cycle=["C", "Eb"], line={**options, "thread": "track"})
    assert names(on) == "F F E Eb D D"
    cut = written(key_cycle=["C", "Eb"], line=options)
    assert names(cut) == "F F E Ab Ab G"


@pytest.mark.parametrize("voices", ["one", "both"])
@pytest.mark.parametrize("cycle", ["fourths", "whole steps down", "chromatic up", "shuffled"])
def test_a_thread_never_leaps(voices: str, cycle: str) -> None:
    """Through all the keys of a cycle, given room, no voice moves more than a fourth
    (common practice: of two tones a fourth or fifth apart one is at most three semitones away);
    both voices sound together throughout."""
    score = written(key_cycle=cycle, line={"kind": "guide tones", "thread": "track",
                                           "voices": voices, "range": "A0 to C8"})  # fmt: skip
    step = 2 if voices == "both" else 1
    for first in range(step):
        voice = line(score)[first::step]
        assert max(abs(b.pitch.midi - a.pitch.midi) for a, b in pairwise(voice)) <= 5
    assert len(line(score)) == step * len(spans(score))


@given(progressions, keys, st.sampled_from([3, 7]), st.sampled_from(["key", "track"]))
def test_both_voices_are_always_third_and_seventh(
    bars: tuple[str, str], key_cycle: list[str], begin_on: int, thread: str
) -> None:
    """With any chords the two voices share out the two guide tones of each; a triad on a fourth or
    second has a root for a seventh, or the minor seventh (common practice: heard as a 7sus)."""
    assume(len({key.endswith("minor") for key in key_cycle}) == 1)
    meter, progression = bars
    score = written(progression=progression, key=key_cycle[0], key_cycle=key_cycle, meter=meter,
                    line={"kind": "guide tones", "voices": "both", "begin_on": begin_on,
                          "thread": thread})  # fmt: skip
    for span in spans(score):
        assert span.chord
        marks = sorted(note.mark for note in line(score) if note.start == span.start)
        usual = sorted(map(str, span.chord.guide_tones))
        as_7sus = sorted([str(span.chord.third), "b7"])
        hangs = span.chord.is_suspended and span.chord.seventh is None
        assert marks == usual or (hangs and marks == as_7sus)


@pytest.mark.parametrize(
    ("order", "inversion", "expected"),
    [
        ("1357", 1, "E2 G2 B2 C3"),
        ("1357", 2, "G2 B2 C3 E3"),
        ("1357", 3, "B2 C3 E3 G3"),
        ("7531", 1, "C3 B2 G2 E2"),
        ("5-1-3-7", 1, "B2 E2 G2 C3"),
        ("1358", 1, "E2 G2 C3 E3"),
        ("3579", 1, "G2 B2 D3 E3"),
    ],
)
def test_inversions_of_a_major_seventh(order: str, inversion: int, expected: str) -> None:
    """Cmaj7 from its third, fifth and seventh: the tones below move up an octave (hand-worked)."""
    score = written(progression="Cmaj7", line={"kind": "arpeggio", "order": order,
                                               "inversion": inversion})  # fmt: skip
    assert pitches(score) == expected


@pytest.mark.parametrize(
    ("chord", "expected"), [("C7sus4", "C F G Bb"), ("G7alt", "G B Eb F"), ("Am", "A C E G")]
)
def test_an_arpeggio_contradicts_no_chord(chord: str, expected: str) -> None:
    """1 3 5 7 has the fourth of a suspended chord and the b13 of an altered one (common practice:
    each stands in the place of the third and the fifth)."""
    assert names(written(progression=chord, line="arpeggio")) == expected


@pytest.mark.parametrize("kind", ["arpeggio", "guide tones", "scale pattern", "enclosure",
                                  "walking", "roots"])  # fmt: skip
@pytest.mark.parametrize(("meter", "beat"), [("4/4", 3), ("3/4", 2), ("5/4", 4)])
def test_a_line_can_begin_inside_the_bar(kind: str, meter: str, beat: int) -> None:
    """Each call begins on the stated beat; the rest is as it would have been, and a held note
    sounds from there."""
    whole = written(key_cycle=["C", "F"], gaps=3, meter=meter, line=kind)
    late = written(key_cycle=["C", "F"], gaps=3, meter=meter, line={"kind": kind, "begin_at": beat})
    for bar in late.chart.bars:
        if bar.role == "call" and bar.form_bar == 0:
            opens = bar.start + beat - 1
            inside = [n for n in line(late) if bar.start <= n.start < bar.end]
            if kind != "enclosure" or inside:
                assert all(note.start >= opens for note in inside)
            if kind in ("guide tones", "roots"):
                assert inside[0].start == opens and inside[0].duration == bar.end - opens
    if kind not in ("guide tones", "roots", "enclosure"):
        kept = [n for n in line(whole) if n in line(late)]
        assert kept == list(line(late)) and len(kept) < len(line(whole))


def test_a_beat_that_the_bar_lacks_is_refused() -> None:
    """begin_at: 4 in 3/4 is an error at its own place."""
    with pytest.raises(DrillError, match="3/4 has no beat 4"):
        drill_of({"progression": "I", "meter": "3/4", "line": {"begin_at": 4}})


GROUPS = ("scales", "enclosures", "walking", "guide-tones", "arpeggios")


@pytest.mark.parametrize(
    "preset", [each for each in list_presets() if each.group in GROUPS], ids=lambda each: each.name
)
def test_every_preset_of_lines_has_a_line_in_every_call(preset: object) -> None:
    """Each pass of each preset has notes to learn, all inside its range."""
    from drillgen.arrange import arrange
    from drillgen.chart import charts

    for drill in load(preset.name, WITHOUT_OTHERS).drills:  # type: ignore[attr-defined]
        score = arrange(charts(drill)[0])
        assert drill.line
        low, high = drill.line.sounding_range
        assert all(low <= note.pitch.midi <= high for note in line(score))
        for bars in score.chart.passes():
            assert any(bars[0].start <= note.start < bars[-1].end for note in line(score))


def test_guide_tones_are_sung_over_played_roots() -> None:
    """In the preset the bass part has the root of each chord and the line its guide tones."""
    from drillgen.arrange import arrange
    from drillgen.chart import charts

    score = arrange(charts(load("sung-over-roots").drills[0])[0])
    bass = score.part("bass")
    assert bass
    for span in spans(score):
        assert span.chord
        roots = [note for note in bass.notes if note.start == span.start]
        assert [note.pitch.name for note in roots] == [span.chord.bass_name]
    assert {note.mark.lstrip("b") for note in line(score)} <= {"3", "7", "6", "1"}
