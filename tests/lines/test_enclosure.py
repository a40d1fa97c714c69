"""Enclosures: hand-worked neighbours, where they stand, and what holds everywhere."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from quicktions import Fraction

from drillgen.drill.messages import DrillError
from drillgen.drill.models import Drill
from drillgen.drill.reader import drill_of
from drillgen.score import Note
from drillgen.theory.scales import chord_scale
from tests.lines.writing import (
    TWELVE,
    is_filled,
    keys,
    line,
    names,
    pitches,
    progressions,
    ranges,
    spans,
    under,
    written,
)


def enclosure(**options: object) -> dict[str, object]:
    return {"kind": "enclosure", **options}


@pytest.mark.parametrize(
    ("approach", "expected"),
    [
        ("above below", "F C A# B F D# E"),
        ("below above", "F A# C B D# F E"),
        ("double chromatic", "F A A# B D D# E"),
        ("double chromatic above", "F C# C B F# F E"),
        ("from below", "F A# B D# E"),
        ("from above", "F C B F E"),
    ],
)
def test_the_thirds_of_a_two_five(approach: str, expected: str) -> None:
    """F, B and E of Dm7 G7 Cmaj7 with their neighbours: scale tone above, semitone below on the
    letter below (hand-worked); the first, with no room before it, comes alone."""
    assert names(written(line=enclosure(approach=approach))) == expected


@pytest.mark.parametrize(
    ("target", "expected"),
    [
        ("root", "D A F# G D B C"),
        ("third", "F C A# B F D# E"),
        ("fifth", "A E C# D A F# G"),
        ("seventh", "C G E F C A# B"),
        ("guide tones", "F G E F F D# E"),
    ],
)
def test_the_targets_of_a_two_five(target: str, expected: str) -> None:
    """Each tone of Dm7 G7 Cmaj7 from the scale above and the semitone below; the guide tones are
    F F E, as without neighbours (hand-worked)."""
    assert names(written(line=enclosure(target=target))) == expected


def test_guide_tones_on_two_beats_take_turns() -> None:
    """Third and seventh of each chord, the nearer one at each change: F C, B F, E B
    (hand-worked)."""
    options = enclosure(target="guide tones", beats=[1, 3], approach="from below", fill="rest")
    targets = [note for note in line(written(line=options)) if note.mark != "approach"]
    assert [str(note.pitch.name) for note in targets] == ["F", "C", "B", "F", "E", "B"]


def test_the_approach_stands_in_the_eighths_before_the_beat() -> None:
    """Two neighbours before beat 1 of the second bar are on 4 and the `and` of 4, each an eighth;
    the target lasts until the next one begins (hold), or a beat (rest)."""
    first, above, below, target, *_ = line(written(line=enclosure(), count_in=0))
    assert [(n.start, n.duration) for n in (first, above, below)] == [
        (0, 3), (3, Fraction(1, 2)), (Fraction(7, 2), Fraction(1, 2))]  # fmt: skip
    assert (target.start, target.duration) == (4, 3)
    rests = line(written(line=enclosure(fill="rest"), count_in=0))
    assert rests[0].duration == 1


def test_chord_tones_fill_the_bar() -> None:
    """Between, the chord's own tones in eighths, every bar full (hand-worked: F A C D F D C, then
    A# to B; the last one lies close to what follows)."""
    score = written(line=enclosure(fill="chord tones", approach="from below"))
    assert pitches(score).startswith("F2 A2 C3 D3 F3 D3 C3 A#2 B2")
    for span in spans(score):
        assert is_filled(under(score, span), span)


def test_the_response_and_the_bar_before_stay_free() -> None:
    """Call two, answer two: nothing sounds in a response, not even an approach; the first target
    of each call comes alone, the second with its neighbours."""
    score = written(
        progression="ii7 | V7 | Imaj7 | vi7", gaps=2, line=enclosure(), key_cycle=TWELVE
    )
    for bar in score.chart.bars:
        notes = [note for note in line(score) if bar.start <= note.start < bar.end]
        if bar.role == "response":
            assert not notes
        elif bar.role == "call":
            approaches = [note for note in notes if note.mark == "approach"]
            assert len(approaches) == (2 if bar.form_bar % 2 == 0 else 0)
            assert all(note.start + note.duration <= bar.end for note in notes)


def test_adjacent_targets_keep_as_much_of_the_approach_as_fits() -> None:
    """On every beat there is one eighth between targets: the nearer neighbour stays, and takes
    turns with the other one, so that two notes are not played back and forth."""
    score = written(progression="Cmaj7", line=enclosure(beats=[1, 2, 3, 4]))
    assert names(score) == "E D# E F E D# E"


def test_beats_must_be_in_the_bar() -> None:
    """A beat that the meter lacks is refused, and so is no beat at all."""
    with pytest.raises(DrillError, match="3/4 has no beat 4"):
        drill_of({"progression": "I", "meter": "3/4", "line": enclosure(beats=[1, 4])})
    with pytest.raises(DrillError, match="names no beat"):
        drill_of({"progression": "I", "line": enclosure(beats=[])})


def test_an_approach_may_use_a_chosen_scale() -> None:
    """While an altered G7 sounds, the tone above the fifth of Cmaj7 is Ab, in mixolydian A
    (hand-worked); the tone above its own third sounds with Dm7, and is not concerned."""
    altered = written(line=enclosure(target="fifth", scales={"V7": "altered"}))
    assert names(altered) == "A E C# D Ab F# G"
    assert names(written(line=enclosure(scales={"V7": "altered"}))) == "F C A# B F D# E"


@pytest.mark.parametrize(
    ("key", "expected"),
    [
        ("Eb minor", "Cb Eb C# D"),
        ("F# minor", "D F# E E#"),
        ("B minor", "G B A A#"),
        ("C minor", "Ab C A# B"),
    ],
)
def test_the_tone_above_belongs_to_the_chord_that_sounds(key: str, expected: str) -> None:
    """The third of an altered dominant after iv7: from the tonic, which iv7 has, not from the #11
    that only the dominant's own scale has (common practice, hand-worked)."""
    options = enclosure()
    score = written(progression="iv7 | V7alt", key=key, key_cycle=[key], line=options)
    assert names(score) == expected


def test_no_tone_above_comes_before_its_chord() -> None:
    """In twelve minor keys, to each target of a two-five: the neighbour above is a tone of the
    scale of the chord that sounds with it."""
    tonics = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B")
    cycle = [f"{tonic} minor" for tonic in tonics]
    for target in ("root", "third", "fifth", "seventh"):
        score = written(progression="iiø7 | V7alt | i6", key="C minor", key_cycle=cycle,
                        line=enclosure(target=target, approach="from above"))  # fmt: skip
        above = [note for note in line(score) if note.mark == "approach"]
        assert len(above) == 2 * len(cycle)
        for note in above:
            bar = score.chart.bar_at(note.start)
            chord = bar.spans[0].chord
            assert chord
            scale = chord_scale(chord, bar.key, bar.spans[0].leads_to).names(chord.root)
            assert note.pitch.name.pitch_class in {name.pitch_class for name in scale}


OPTIONS = st.fixed_dictionaries(
    {
        "kind": st.just("enclosure"),
        "target": st.sampled_from(["root", "third", "fifth", "seventh", "guide tones"]),
        "approach": st.sampled_from(["above below", "below above", "double chromatic",
                                     "double chromatic above", "double", "from below",
                                     "from above"]),
        "delayed": st.booleans(),
        "pickup": st.booleans(),
        "beats": st.sampled_from(["chord", [1], [1, 3], [2], [1, 2, 3]]),
        "fill": st.sampled_from(["rest", "hold", "chord tones"]),
        "range": ranges,
    }
)  # fmt: skip
STEPS = {"above below": (1, -1), "below above": (-1, 1), "double chromatic": (-2, -1),
         "double chromatic above": (2, 1), "double": (2, 1, -2, -1),
         "from below": (-1,), "from above": (1,)}  # fmt: skip


def resolves(approach: list[Note], target: Note, name: str) -> bool:
    """Whether what stands before a target is (the end of, or some of) the stated approach: each
    on its side, at most a tone away above and a semitone below, two semitones at most."""
    sides = iter(STEPS[name])
    for note in approach:
        distance = note.pitch.midi - target.pitch.midi
        if not any(abs(distance) <= 2 and distance * side > 0 for side in sides):
            return False
    return len(approach) <= len(STEPS[name])


@given(OPTIONS, progressions, keys)
def test_every_note_is_a_chord_tone_or_resolves_by_step(
    options: dict[str, object], bars: tuple[str, str], key_cycle: list[str]
) -> None:
    """For any chords in any keys: in the range, no note over the next, with at most double
    accidentals; what is no approach is a tone of the chord or its scale, and an approach leads by
    the stated steps to the target that comes next."""
    assume(len({key.endswith("minor") for key in key_cycle}) == 1)
    meter, progression = bars
    score = written(progression=progression, key=key_cycle[0], key_cycle=key_cycle, meter=meter,
                    line=options)  # fmt: skip
    drawn = Drill.model_validate({"progression": "I", "line": options}).line
    assert drawn
    low, high = drawn.sounding_range
    notes = line(score)
    waiting: list[Note] = []
    for index, note in enumerate(notes):
        assert low <= note.pitch.midi <= high
        assert abs(note.pitch.name.alter) <= 2
        assert index == 0 or notes[index - 1].start + notes[index - 1].duration <= note.start
        if note.mark == "approach":
            waiting.append(note)
            continue
        assert resolves(waiting, note, str(options["approach"]))
        waiting = []
        bar = score.chart.bar_at(note.start)
        span = next(each for each in bar.spans if each.start <= note.start < each.end)
        assert span.chord
        scale = chord_scale(span.chord, bar.key, span.leads_to).names(span.chord.root)
        tones = {name.pitch_class for name in (*scale, *span.chord.names)}
        assert note.pitch.name.pitch_class in tones
    assert not waiting


def test_every_key_is_the_same_exercise() -> None:
    """The same degrees, approaches and places in twelve keys."""
    shapes = {
        tuple((note.mark, note.duration) for note in line(written(
            key_cycle=key, line=enclosure(beats=[1, 3], fill="rest"))))
        for key in TWELVE
    }  # fmt: skip
    assert len(shapes) == 1


def test_double_has_two_semitones_from_both_sides() -> None:
    """+2 +1 -2 -1 semitones, then the tone: to B of G7 C# C A A#, to E of Cmaj7 F# F D D#
    (hand-worked)."""
    score = written(line=enclosure(approach="double"))
    assert names(score) == "F C# C A A# B F# F D D# E"


def test_a_pick_up_waits_for_the_target_before_it() -> None:
    """In 3/4 with targets on 1 and 3 there is room for one neighbour only between the third beat of
    a key's last bar and the next key: no approach is left without its target."""
    score = written(progression="C7", meter="3/4", key="C", key_cycle=["C", "F"],
                    line=enclosure(target="root", beats=[1, 3], pickup=True))  # fmt: skip
    found = [(note.start % 3, note.mark) for note in line(score)]
    half = Fraction(1, 2)
    targets = [(1, "approach"), (1 + half, "approach"), (2, "1")]
    assert found[-5:] == [(2 + half, "approach"), (0, "1"), *targets]
    assert found[-8:-5] == targets


def test_a_delayed_target_comes_after_the_beat() -> None:
    """The last neighbour stands on the beat, the target an eighth after it; the first one, where
    the call begins, has as much before it as there is room for."""
    score = written(line=enclosure(delayed=True), count_in=0)
    found = [(note.start % 4, note.mark) for note in line(score)]
    half = Fraction(1, 2)
    assert found[:2] == [(0, "approach"), (half, "b3")]
    assert found[2:] == [(4 - half, "approach"), (0, "approach"), (half, "3")] * 2


@pytest.mark.parametrize(("delayed", "before"), [(False, 2), (True, 1)])
def test_a_pick_up_sounds_before_its_call(delayed: bool, before: int) -> None:
    """Two neighbours before each call's first target, in the count-in and at the end of the
    student's bars (one of them if the other is on the beat); nothing else sounds there."""
    score = written(progression="ii7 | V7 | Imaj7 | vi7", gaps=2, count_in=1, key_cycle=["C", "F"],
                    line=enclosure(pickup=True, delayed=delayed, fill="chord tones"))  # fmt: skip
    calls = [b for b in score.chart.bars if b.role == "call" and b.form_bar % 2 == 0]
    for bar in calls:
        early = [n for n in line(score) if bar.start - 2 <= n.start < bar.start]
        assert [n.mark for n in early] == ["approach"] * before
        assert [bar.start - n.start for n in early][::-1] == [
            Fraction(count, 2) for count in range(1, before + 1)
        ]


@pytest.mark.parametrize("approach", list(STEPS))
def test_no_bar_goes_back_and_forth(approach: str) -> None:
    """Filled with chord tones, in twelve keys, no two notes take turns for four notes."""
    score = written(progression="I7 | IV7 | iiø7 V7b9 | i6", key_cycle=TWELVE, line=enclosure(
        fill="chord tones", approach=approach, beats=[1, 3]))  # fmt: skip
    for bar in score.chart.bars:
        keys = [n.pitch.midi for n in line(score) if bar.start <= n.start < bar.end]
        fours = zip(keys, keys[1:], keys[2:], keys[3:], strict=False)
        assert not any(a == c and b == d for a, b, c, d in fours)
