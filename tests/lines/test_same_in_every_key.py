"""A thread of guide tones is one line: learned in one key, it is right in every other."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from itertools import groupby, pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from drillgen.chart import charts
from drillgen.drill.lesson import load
from drillgen.drill.lines import GuideTones
from drillgen.drill.models import Drill
from drillgen.drill.reader import Override
from drillgen.drill.sheet import BASSES
from drillgen.lines.kinds import line as write
from drillgen.score import Score
from tests.band.test_odd_shapes import low_interval_limits
from tests.composed import NAMES, composed, drills
from tests.examples import examples
from tests.lines.writing import TWELVE, line, progressions, written

_OCTAVE = 12
_Pass = list[list[tuple[int, int]]]  # by call: semitones over the tonic, and MIDI keys


def passes(score: Score) -> Iterator[tuple[int, _Pass]]:
    """The form's turn in its key and the line of each pass."""
    turns: dict[int, int] = defaultdict(int)
    for bars in score.chart.passes():
        tonic = bars[0].key.tonic.pitch_class
        calls: _Pass = [[]]
        for bar in bars:
            if bar.role == "response":
                calls.append([])
            for note in sorted(line(score), key=lambda note: (note.start, note.mark)):
                if bar.start <= note.start < bar.end:
                    calls[-1].append(((note.pitch.midi - tonic) % _OCTAVE, note.pitch.midi))
        yield turns[bars[0].key_number], [call for call in calls if call]
        turns[bars[0].key_number] += 1


def in_all_keys(score: Score) -> None:
    """Asserts that each pass has the same degrees in every key."""
    by_turn: dict[int, list[_Pass]] = defaultdict(list)
    for turn, found in passes(score):
        by_turn[turn].append(found)
    for turn in by_turn.values():
        degrees = [[[degree for degree, _ in call] for call in each] for each in turn]
        assert all(each == degrees[0] for each in degrees)


def moves(found: _Pass) -> list[list[int]]:
    return [[key - call[0][1] for _, key in call] for call in found]


def is_thread(drill: Drill) -> bool:
    return isinstance(drill.line, GuideTones) and drill.line.thread == "key"


@pytest.mark.parametrize("preset", NAMES)
def test_every_preset_has_one_thread(preset: str) -> None:
    """As it is and through another cycle, each preset's guide tones are the same degrees in every
    key; as it is, each call moves alike, without a leap that another key does not have."""
    threads = [number for number, drill in enumerate(drills(preset)) if is_thread(drill)]
    other = ("fourths", "whole steps down")[NAMES.index(preset) % 2]
    as_it_is = composed(preset, 1) if threads else ()
    for score in (as_it_is[number][0] for number in threads):
        in_all_keys(score)
        shapes = {str(moves(found)) for turn, found in passes(score) if turn == 0}
        assert len(shapes) == 1, score.chart.drill.title
    asked = load(preset, [Override("key_cycle", other, "--key-cycle")]).drills if threads else ()
    for chart in (charts(asked[number])[0] for number in threads):
        in_all_keys(Score(chart, (write(chart),)))  # type: ignore[arg-type]


@examples(40)
@given(progressions, st.sampled_from([3, 7]), st.sampled_from(["one", "both"]),
       st.sampled_from(["C2 to G3", "E1 to E2", "C3 to C6", "F2 to A3"]),
       st.sampled_from(["off", "roots"]))  # fmt: skip
def test_any_thread_is_one_line(
    bars: tuple[str, str], begin_on: int, voices: str, low_high: str, bass: str
) -> None:
    """Over any chords, in any range: the same degrees in all twelve keys; and the same motion
    wherever the range has room for it in every key (its own width and eleven semitones)."""
    meter, progression = bars
    score = written(progression=progression, key="C", key_cycle=TWELVE, meter=meter,
                    band={"bass": bass},
                    line={"kind": "guide tones", "begin_on": begin_on, "voices": voices,
                          "range": low_high})  # fmt: skip
    in_all_keys(score)
    low, high = score.chart.drill.line.sounding_range  # type: ignore[union-attr]
    assert all(low <= note.pitch.midi <= high for note in line(score))
    wide = written(progression=progression, key="C", key_cycle="C", meter=meter,
                   line={"kind": "guide tones", "begin_on": begin_on, "voices": voices,
                         "range": "A0 to C8"})  # fmt: skip
    heights = [note.pitch.midi for note in line(wide)]
    assume(max(heights) - min(heights) + _OCTAVE - 1 <= high - low)
    assert len({str(moves(found)) for _, found in passes(score)}) == 1


@pytest.mark.parametrize("begin_on", [3, 7])
@pytest.mark.parametrize("low_high", ["C3 to C5", "E1 to G3", "F3 to F5"])
@pytest.mark.parametrize("cycle", ["fourths", "chromatic up", "chromatic down"])
def test_the_lower_voice_is_the_same_in_every_key(begin_on: int, low_high: str, cycle: str) -> None:
    """Both voices of a two-five: the seventh of the first chord lies a fourth below its third, the
    nearer side, in each of the twelve keys."""
    score = written(key_cycle=cycle, line={"kind": "guide tones", "voices": "both",
                                           "begin_on": begin_on, "range": low_high})  # fmt: skip
    for bars in score.chart.passes():
        first = [note for note in line(score) if note.start == bars[0].start]
        assert [note.mark for note in first] == ["b7", "b3"]
        assert first[1].pitch.midi - first[0].pitch.midi == 5


def test_a_break_is_made_where_nobody_hears_it() -> None:
    """A thread too wide for its range goes to another octave in the response, not in a call:
    thirds and sevenths of twelve dominants fall by semitones, further than an octave holds, and no
    call has a leap."""
    score = written(progression="E7 | A7 | D7 | G7 | C7 | F7 | Bb7 | Eb7 | Ab7 | Db7 | Gb7 | B7",
                    key="C", key_cycle="C", gaps={"call": 2, "response": 2, "harmony": "continues"},
                    line={"kind": "guide tones", "range": "E2 to E3"})  # fmt: skip
    for _, found in passes(score):
        assert all(abs(each) <= 2 for call in moves(found) for each in call)


def test_a_break_is_made_in_the_response_that_repeats_its_call() -> None:
    """Where a form goes down through the keys the thread goes to another octave between a call and
    the next, while the student answers: in no call of twelve keys is there more than a step."""
    form = "Cmaj7 | Dm7 G7 | Cmaj7 | Cm7 F7 | Bbmaj7 | Bbm7 Eb7 | Abmaj7 | Am7b5 D7b9"
    gaps = {"call": 4, "response": 4}
    score = written(
        progression=form, key="C", key_cycle="fourths", gaps=gaps, band={"bass": "roots"},
        line={"kind": "guide tones", "begin_on": 7},
    )  # fmt: skip
    begins = [b.start for b in score.chart.bars if b.form_bar in (0, 4) and b.role == "call"]
    calls = [[n for n in line(score) if begin <= n.start < begin + 16] for begin in begins]
    assert len(calls) == 24
    for call in calls:
        assert all(abs(b.pitch.midi - a.pitch.midi) <= 2 for a, b in pairwise(call))


def test_pairs_of_guide_tones_are_not_too_low() -> None:
    """Low interval limits (tests/data/low_interval_limits.csv): in twelve keys on a bass, nearly
    every fourth, tritone and fifth lies with its lower note at the published limit or over it, and
    none more than a fourth below; each key begins within an octave of the one before."""
    limits = low_interval_limits()
    score = written(progression="ii7 | V7 | Imaj7 | VI7", key_cycle=TWELVE, band={"bass": "off"},
                    line={"kind": "guide tones", "voices": "both"})  # fmt: skip
    together = groupby(line(score), lambda note: note.start)
    pairs = [tuple(note.pitch.midi for note in found) for _, found in together]
    below = [limits[high - low] - low for low, high in pairs]
    assert max(below) <= 6 and sum(each > 0 for each in below) <= len(below) / 4
    assert all(abs(b[0] - a[0]) <= 12 for a, b in pairwise(pairs))


@pytest.mark.parametrize("preset", NAMES)
def test_a_thread_over_a_bass_keeps_above_it(preset: str) -> None:
    """Where a preset's guide tones have no range of their own and a bass plays roots below on the
    same instrument, no note of the line lies under the bass's held ones or a semitone from
    them."""
    threads = any(map(is_thread, drills(preset)))
    for score, *_ in composed(preset, 1) if threads else ():
        spec = score.chart.drill.line
        if not isinstance(spec, GuideTones) or spec.range or spec.instrument not in BASSES:
            continue
        bass = score.part("bass")
        clear = [
            over.pitch.midi > note.pitch.midi + 1
            for note in (bass.notes if bass else ())
            for over in line(score)
            if over.start <= note.start < over.start + over.duration and note.touch == "held"
        ]
        assert all(clear)
