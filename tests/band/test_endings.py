"""Endings: a held chord, a tag before it, or none."""

from __future__ import annotations

import json
from functools import lru_cache
from io import BytesIO
from itertools import pairwise
from typing import Any

import pretty_midi
import pytest
from hypothesis import given
from hypothesis import strategies as st
from music21 import converter
from quicktions import Fraction

from drillgen.arrange import arrange
from drillgen.band.feel import KEYS
from drillgen.chart import Chart, charts
from drillgen.drill.models import Drill
from drillgen.listing import listing
from drillgen.midi import midi_files
from drillgen.performance import perform
from drillgen.score import Score
from drillgen.sheet.sheets import sheets
from tests.examples import examples

FORM = "I6 vi7 | ii7 V7 | iii7 VI7 | ii7 V7 | I7 | IV7 | ii7 V7 | I6"
BAND = {"drums": "sticks", "comping": "piano", "bass": "walking"}
CYMBALS = {KEYS[name] for name in KEYS if "cymbal" in name}


def chart_of(**drill: Any) -> Chart:
    plain = {"progression": FORM, "key_cycle": ["F", "Ab"], "band": BAND, "gaps": "none",
             "line": "guide tones"}  # fmt: skip
    return charts(Drill.model_validate({**plain, **drill}))[0]


def written(**drill: Any) -> Score:
    """Written once for all who ask for the same."""
    return _written(json.dumps(drill))


@lru_cache(maxsize=32)
def _written(drill: str) -> Score:
    return arrange(chart_of(**json.loads(drill)))


def texts(score: Score, start: int, end: int | None = None) -> list[list[str]]:
    return [[span.chord.text for span in bar.spans if span.chord] for bar in score.chart.bars][
        start:end
    ]


def test_a_tag_repeats_the_last_four_bars() -> None:
    """After the last pass its last four bars are played once more in the last key, and then the
    chord is held (common practice)."""
    plain, tagged = written(), written(ending="tag")
    assert len(tagged.chart.bars) == len(plain.chart.bars) + 4
    assert texts(tagged, -6, -2) == texts(tagged, -10, -6)
    assert texts(tagged, -2) == texts(plain, -2) == [["Ab6"], ["Ab6"]]
    assert {str(bar.key) for bar in tagged.chart.bars[-6:]} == {str(plain.chart.bars[-1].key)}


def test_everybody_plays_the_tag() -> None:
    """Drums and bass play in every bar of the tag, the comping in most of them, without copying
    what they just did."""
    score = written(ending="tag")
    tag = [bar for bar in score.chart.bars if bar.tag]
    for part in ("drums", "comping", "bass"):
        found = score.part(part)  # type: ignore[arg-type]
        assert found is not None
        events = (*found.notes, *found.hits)
        bars = [any(bar.start <= e.start < bar.end for e in events) for bar in tag]
        assert sum(bars) >= (3 if part == "comping" else 4)


def test_the_line_says_its_last_bars_again() -> None:
    """Played throughout, the line repeats its own last four bars over the tag; after calls and
    responses the tag is the student's."""
    score = written(ending="tag")
    tag = [bar for bar in score.chart.bars if bar.tag]
    start, length = tag[0].start, tag[-1].end - tag[0].start
    line = score.part("line")
    assert line is not None
    again = [(n.start, n.pitch) for n in line.notes if tag[0].start <= n.start < tag[-1].end]
    before = [(n.start + length, n.pitch) for n in line.notes if start - length <= n.start < start]
    assert again == before and again
    called = written(ending="tag", gaps={"call": 4})
    last = next(bar for bar in called.chart.bars if bar.tag)
    after = called.chart.ending[0].start  # where the line holds its last note
    notes = called.part("line").notes  # type: ignore[union-attr]
    assert all(note.start < last.start or note.start >= after for note in notes)


@pytest.mark.parametrize("ending", ["hold", "tag"])
def test_the_last_chord_is_held_under_a_cymbal(ending: str) -> None:
    """Comping and bass hold one last chord to the end of two bars, from 1 or, after a short stroke
    there, from the off-beat after 2 or 4, and the drummer begins it with a cymbal that rings, with
    or without a roll or a last stroke after it (common practice)."""
    begins = set()
    for seed in range(10):
        score = written(ending=ending, seed=seed, key_cycle="F", progression="ii7 V7 | I6 | % | V7")
        first, last = score.chart.bars[-2:]
        hits = score.part("drums").hits  # type: ignore[union-attr]
        for part in ("comping", "bass"):
            notes = [n for n in score.part(part).notes if n.start >= first.start]  # type: ignore[union-attr, arg-type]
            (held,) = {n.start for n in notes if n.touch == "held"}
            assert {n.start + n.duration for n in notes if n.touch == "held"} == {last.end}
            assert all(n.duration <= Fraction(1, 2) for n in notes if n.start < held)
            assert {n.start for n in notes} == {first.start, held}
            assert {hit.key for hit in hits if hit.start == held} & CYMBALS
            begins.add(held - first.start)
        assert last.role == "ending"
        assert perform(score).seconds > score.chart.seconds
    assert begins == {0, Fraction(3, 2), Fraction(7, 2)}


BALLAD = {"feel": "ballad", "tempo": 60, "ending": "tag"}


def test_a_ballads_tag_slows_down() -> None:
    """Over its last two bars the tempo falls by 15 %, beat by beat, as runners stop: more and more
    (Friberg & Sundberg, JASA 105:1469, 1999); the chord is held there.  Bars before it, which are
    practised in loops, keep their tempo, as does a track that tests one's time with a click."""
    bars = chart_of(**BALLAD).bars
    assert {bar.tempo for bar in bars[:-4]} == {60} and {bar.tempo for bar in bars[-2:]} == {51}
    beats = [60.0, *(float(tempo) for bar in bars[-4:-2] for tempo in bar.slowing)]
    falls = [before - after for before, after in pairwise(beats)]
    assert len(beats) == 9 and round(beats[-1], 2) == 51
    assert all(0 < fall < 2 for fall in falls) and falls == sorted(falls)
    for plain in ({"band": {"click": "beats"}}, {"feel": "swing"}, {"ending": "hold"}):
        assert {bar.tempo for bar in chart_of(**(BALLAD | plain)).bars} == {60}


def test_a_ritardando_is_the_same_in_sound_and_midi() -> None:
    """By the file's own tempo map, as pretty_midi reads it, every stroke is where it sounds, within
    a millisecond, to the end of the track; the file has a tempo for each beat that slows."""
    played = perform(written(**BALLAD))
    read = pretty_midi.PrettyMIDI(BytesIO(midi_files(played, "Slowing", [()])[0]))
    times, tempos = read.get_tempo_changes()
    last = played.chart.seconds_at(played.chart.ending[0].start - 1)
    assert len(tempos) == 9 and times[-1] == pytest.approx(last, abs=1e-3)
    (drums,) = (voice for voice in played.voices if voice.part == "drums")
    (heard,) = (each for each in read.instruments if each.name == "drums")
    starts = sorted(note.start for note in heard.notes)
    assert starts == pytest.approx([note.start for note in drums.notes], abs=1e-3)


def test_a_ritardando_stands_on_the_sheet() -> None:
    """ "rit." stands over the bar where the tempo begins to fall, as music21 reads it, and nowhere
    else."""
    score = written(**BALLAD)
    first = next(bar.number for bar in score.chart.bars if bar.slowing)
    read = converter.parse(sheets([score]).musicxml, format="musicxml")
    found = [
        words.measureNumber
        for words in read.recurse().getElementsByClass("TextExpression")
        if "rit." in words.content
    ]
    counted = first - sum(bar.role == "count-in" for bar in score.chart.bars) + 1
    assert found == [counted]


def test_endings_are_a_feels_own() -> None:
    """Over eight seeds swing ends in more than one way, and a ballad now and then rolls softly on a
    cymbal: eight strokes or more under the chord (common practice)."""
    ways: dict[str, set[int]] = {}
    for feel in ("swing", "ballad"):
        for seed in range(8):
            drummer = {"drums": "sticks", "comping": "off"}
            score = written(feel=feel, seed=seed, key_cycle="F", band=drummer)
            start = score.chart.ending[0].start
            hits = [hit for hit in score.part("drums").hits if hit.start >= start]  # type: ignore[union-attr]
            ways.setdefault(feel, set()).add(len(hits))
    assert len(ways["swing"]) > 1 and len(ways["ballad"]) > 1 and max(ways["ballad"]) > 8


def test_a_loop_has_no_ending() -> None:
    """`ending: none` ends with the form: the track lasts exactly its bars."""
    score = written(ending="none")
    assert score.chart.bars[-1].form_bar == 7
    assert perform(score).seconds == score.chart.seconds


def test_a_tag_is_seen_in_the_listing() -> None:
    """`drillgen check` shows the tag as one."""
    assert [line for line in listing(chart_of(ending="tag")).splitlines() if " tag " in line]


@examples(40)
@given(
    bars=st.integers(1, 9),
    passes=st.integers(1, 3),
    gaps=st.sampled_from(["none", {"call": 2}, {"call": 3, "response": 1, "harmony": "continues"}]),
    tempo=st.sampled_from([72, {"from": 60, "to": 80, "step": 5}]),
)
def test_a_tag_fits_any_form(bars: int, passes: int, gaps: Any, tempo: Any) -> None:
    """A form shorter than four bars is repeated whole; the tag goes at the last pass's tempo, and
    what comes before it is the same with and without."""
    chords = " | ".join(["I6", "vi7", "ii7", "V7", "I7", "IV7", "ii7", "V7", "I6"][:bars])
    if "harmony" in gaps and bars * passes <= gaps["call"]:
        passes = 4  # a trade needs bars enough for an answer
    common = {"progression": chords, "passes": passes, "gaps": gaps, "tempo": tempo}
    plain, tagged = chart_of(**common).bars, chart_of(**common, ending="tag").bars
    assert len(tagged) - len(plain) == min(bars, 4)
    assert tagged[:-6][: len(plain) - 2] == plain[:-2][: len(tagged) - 6]
    tag = [bar for bar in tagged if bar.tag]
    assert {bar.tempo for bar in tag} == {plain[-3].tempo}
    assert [bar.form_bar for bar in tag] == list(range(max(bars - 4, 0), bars))
