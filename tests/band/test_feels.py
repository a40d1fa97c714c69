"""Feels: each is complete, and plays what players expect of it."""

from __future__ import annotations

import csv
from fractions import Fraction
from itertools import pairwise
from typing import get_args

import pytest

from drillgen.band import bass as figures
from drillgen.band.feel import Choices, DrumBook, bars_of, feel, strokes
from drillgen.band.percussion import KEYS
from drillgen.drill import band
from drillgen.drill.band import CompingKind
from drillgen.drill.bars import FASTEST, METERS, SLOWEST
from drillgen.performance import perform
from drillgen.timing import ratio_in
from tests.band.playing import BLUES, EVERY, WITH_BASS, bars, of, shapes, struck, written
from tests.conftest import DATA

TEMPOS = range(int(SLOWEST), int(FASTEST) + 1)
HALF, THIRD = Fraction(1, 2), Fraction(1, 3)


def always_something(choices: Choices) -> bool:
    return all(choices.at(tempo) for tempo in TEMPOS)


def complete(book: DrumBook, meter: str) -> None:
    assert all(any(tempo in fill.tempos for fill in book.fills) for tempo in TEMPOS)
    for layer in book.layers:
        assert layer.sound in KEYS
        assert all(layer.choices.at(tempo) for tempo in TEMPOS if tempo in layer.tempos)
        for pattern in layer.choices.patterns:
            assert all(strokes(bar, METERS[meter]) for bar in bars_of(pattern) if bar != "rest")
    for fill in book.fills:
        assert set(fill.sounds) <= set(KEYS)
        assert all(strokes(bar, METERS[meter]) for bar in fill.sounds.values())
    assert book.opening[0] in KEYS


def test_every_feel_of_the_language_has_a_player():
    """Nothing that the language names is left without a band."""
    assert band.playable_feels() == band.FEELS


@pytest.mark.parametrize(("name", "meter"), EVERY)
def test_a_feel_is_complete(name, meter):
    """Drums with sticks and with brushes, comping, bass and count-in; every pattern fits its bar
    and names sounds of the kit; at every tempo there is something to play."""
    played = feel(name, METERS[meter])
    assert set(played.drums) == {"sticks", "brushes"}
    for book in played.drums.values():
        complete(book, meter)
    assert set(played.comping) - {"cells"} <= set(get_args(CompingKind))
    for rhythms in played.comping.values():
        assert always_something(rhythms.cells)
        for pattern in rhythms.cells.patterns:
            assert all(isinstance(strokes(bar, METERS[meter]), tuple) for bar in bars_of(pattern))
    assert always_something(played.two_beat)
    for pattern in played.two_beat.patterns:
        for bar in bars_of(pattern):
            assert figures.words(bar, METERS[meter])[0].stroke.place == 0  # the one is said
    assert all(strokes(bar, METERS[meter]) for bar in played.count)


def test_the_kit_has_its_general_midi_keys():
    """Percussion keys by name against the table of General MIDI Level 1 (tests/data/gm1.csv)."""
    with (DATA / "gm1.csv").open(encoding="utf-8") as file:
        names = {
            int(row["midi_value"]): row["name"].lower().replace("-", " ")
            for row in csv.DictReader(file)
            if row["kind"] == "drum_key"
        }
    said = {
        "bass drum": "bass drum 1",
        "snare": "acoustic snare",
        "crash cymbal": "crash cymbal 1",
        "ride cymbal": "ride cymbal 1",
        "high woodblock": "hi wood block",
        "low woodblock": "low wood block",
        "high tom": "hi mid tom",
    }
    for sound, key in KEYS.items():
        if not sound.startswith("brush"):  # the brush kit is General MIDI Level 2
            assert names[key] == said.get(sound, sound.replace("-", " ")), sound


@pytest.mark.parametrize(("name", "meter"), EVERY)
@pytest.mark.parametrize("tools", ["sticks", "brushes"])
def test_no_two_passes_are_alike(name, meter, tools):
    """Six passes of eight bars, by anybody, are six different ones."""
    drums = written(feel=name, meter=meter, passes=6, tempo=120,
                    band={"drums": tools, "comping": "off"})  # fmt: skip
    per_bar = list(shapes(drums, "drums"))
    passes = [tuple(per_bar[first : first + 8]) for first in range(0, len(per_bar), 8)]
    assert len(set(passes)) == 6


@pytest.mark.parametrize(("name", "meter"), EVERY)
def test_neighbouring_bars_seldom_sound_alike(name, meter):
    """Of sixty-odd bars fewer than a third are what the drummer played just before."""
    alone = {"comping": "off"}
    score = written(feel=name, meter=meter, passes=8, tempo=120, band=alone)
    found = list(shapes(score, "drums"))
    alike = sum(one == other for one, other in pairwise(found))
    assert alike / len(found) < 1 / 3


@pytest.mark.parametrize(("name", "meter"), EVERY)
@pytest.mark.parametrize("harmony", ["repeats", "continues"])
def test_no_fill_in_a_call(name, meter, harmony):
    """What is played only in fills never sounds in a call, nor within a response: only in its last
    bar (common practice: a fill leads on)."""
    score = written(
        feel=name,
        meter=meter,
        line="roots",
        gaps={"call": 2, "response": 2, "harmony": harmony},
        key_cycle=["C", "F", "Bb", "Eb", "Ab", "Db"],
        passes=2,
        band={"comping": "off"},
    )
    toms = {KEYS["low tom"], KEYS["high tom"]}
    chart = score.chart
    for hit in of(score, "drums").hits:
        bar = chart.bar_at(hit.start)
        if hit.key in toms:
            assert bar.role == "response"
            assert chart.bars[bar.number + 1].role != "response"


@pytest.mark.parametrize("name", ["swing", "two-feel", "ballad", "shuffle"])
@pytest.mark.parametrize("tempo", [60, 140, 220, 300])
def test_two_and_four_are_closed_on_the_hi_hat(name, tempo):
    """Common practice: in four the hi-hat closes on 2 and 4, by foot or (in two) by hand."""
    score = written(feel=name, tempo=tempo, passes=2, ending="none")
    for bar in bars(score):
        closed = struck(score, bar, "pedal hi-hat") + struck(score, bar, "closed hi-hat")
        assert 1 in closed
        assert 3 in closed or bar.form_bar == 7  # a fill may take the hand away
        assert all(place in (1, 3) for place in struck(score, bar, "pedal hi-hat"))


@pytest.mark.parametrize("seed", range(8))
def test_bossa_nova_keeps_its_clave(seed):
    """The cross-stick's pattern as commonly notated in 4/4: 1, & of 2, 4 | 2, & of 3, or the same
    two bars the other way round; a track keeps to one side (common practice)."""
    three, two = [0, 3 * HALF, 3], [1, 5 * HALF]
    score = written(
        feel="bossa nova", passes=3, seed=seed, band={"drums": {"kind": "sticks", "density": 0}}
    )
    sides = set()
    for bar in bars(score):
        if bar.form_bar == 7:  # fills take the hand away
            continue
        found = struck(score, bar, "side stick")
        assert found in (three, two)
        sides.add((found == three) == (bar.form_bar % 2 == 0))
    assert len(sides) == 1


def test_both_sides_of_the_clave_are_played():
    """Some tracks begin with the three strokes, others with the two."""
    firsts = set()
    for seed in range(12):
        score = written(feel="bossa nova", seed=seed)
        firsts.add(0 in struck(score, bars(score)[0], "side stick"))
    assert firsts == {True, False}


def test_the_bass_drum_is_feathered_at_medium_tempos_only():
    """Common practice: soft quarters on the bass drum below about 180, none in fast time."""
    quarters = [Fraction(beat) for beat in range(4)]
    slow = written(tempo=140)
    for bar in bars(slow):
        assert set(quarters) <= set(struck(slow, bar, "bass drum"))
    fast = written(tempo=240)
    assert not any(set(quarters) <= set(struck(fast, bar, "bass drum")) for bar in bars(fast))
    soft = [hit for hit in of(slow, "drums").hits if hit.key == KEYS["bass drum"]]
    assert sum(hit.level <= -12 for hit in soft) >= 4 * 8


def test_fast_time_is_broken_and_sparse():
    """Above 220 the ride skips less and the comping plays less than at a medium tempo (issue 4)."""
    for name, share in (("drums", 0.9), ("comping", 0.8)):
        many, few = (
            sum(
                len({each.start for each in (*part.notes, *part.hits)})
                for seed in range(4)
                for part in [of(written(progression=BLUES, tempo=tempo, passes=8, seed=seed), name)]
            )
            for tempo in (140, 280)
        )
        assert few < share * many


def test_rhythm_guitar_plays_a_chord_a_beat():
    """Four in the bar, the weak beats accented (common practice)."""
    score = written(band={"comping": "rhythm guitar"}, ending="none")
    part = of(score, "comping")
    assert part.instrument == "guitar"
    assert {note.start % 4 for note in part.notes} == {0, 1, 2, 3}
    assert {note.start % 4 for note in part.notes if note.touch == "accent"} == {1, 3}


def test_ballads_are_held():
    """Chords of a ballad sound longer than those of swing at the same tempo (common practice)."""
    lengths = {}
    for name in ("ballad", "swing"):
        notes = of(written(feel=name, tempo=70, passes=4, ending="none"), "comping").notes
        lengths[name] = sum(note.duration for note in notes) / len(notes)
    assert lengths["ballad"] > 1.2 * lengths["swing"]
    score = written(feel="ballad", tempo=60, band={"drums": "brushes"})
    for bar in bars(score):
        sweeps = [
            hit
            for hit in of(score, "drums").hits
            if bar.start <= hit.start < bar.end and hit.key == KEYS["brush swirl"]
        ]
        if bar.form_bar != 7:  # one sweep after another, without a hole
            assert sweeps[0].start == bar.start
            assert sum(hit.duration for hit in sweeps) == bar.length


@pytest.mark.parametrize(
    ("name", "tempo", "ratio"),
    [
        (
            "swing",
            200,
            1.95,
        ),  # the middle of 10 to 90 % of tracks (Jazz Trio Database), within 0.25
        ("jazz waltz", 160, 2.45),
        ("five-four swing", 200, 1.95),
        ("two-feel", 160, 2.45),
        ("shuffle", 110, 2),  # the triplet (common practice)
        ("ballad", 60, 2),
        ("bossa nova", 130, 1),
        ("samba", 200, 1),
        ("straight eighths", 140, 1),
        ("slow 12/8", 60, 1),
    ],
)
def test_swing_ratio_of_each_feel(name, tempo, ratio):
    """Swing as measured at the tempo, shuffle on the triplet, straight feels even, unless the drill
    says otherwise."""
    score = written(feel=name, tempo=tempo)
    assert ratio_in(score.chart, bars(score)[0]) == pytest.approx(
        ratio, abs=0.25 if ratio % 1 else 0.001
    )
    score = written(feel=name, tempo=tempo, swing=1.5)
    assert ratio_in(score.chart, bars(score)[0]) == pytest.approx(1.5)


@pytest.mark.parametrize(
    ("name", "meter", "counted"),
    [
        ("swing", "4/4", [0, 2, 4, 5, 6, 7]),
        ("two-feel", "4/4", [0, 2, 4, 5, 6, 7]),
        ("bossa nova", "4/4", [0, 2, 4, 5, 6, 7]),
        ("ballad", "4/4", range(8)),
        ("jazz waltz", "3/4", range(6)),
        ("five-four swing", "5/4", range(10)),
        ("slow 12/8", "12/8", [Fraction(3 * beat, 2) for beat in range(8)]),
        ("slow 12/8", "6/8", [Fraction(3 * beat, 2) for beat in range(4)]),
    ],
)
def test_feels_are_counted_in_as_players_count(name, meter, counted):
    """In four 1 . 3 . | 1 2 3 4; ballads, waltzes and fives on every beat; twelve-eight in dotted
    quarters (common practice)."""
    score = written(feel=name, meter=meter)
    assert [hit.start for hit in of(score, "click").hits] == list(counted)


def test_twelve_eight_stands_in_thirds_of_the_beat():
    """Whatever is played in 12/8 lies on an eighth note, of which the beat has three."""
    score = written(feel="slow 12/8", band={"bass": "two-beat"}, passes=3)
    for part in score.parts:
        assert all((2 * e.start).denominator == 1 for e in (*part.notes, *part.hits))


@pytest.mark.parametrize(("name", "meter", "bass"), WITH_BASS)
def test_the_band_is_softer_under_a_response_where_asked(name, meter, bass):
    """`gaps.level` lowers drums, comping and bass there by that much and changes nothing else."""
    asked = {"feel": name, "meter": meter, "line": "roots", "band": {"bass": bass}}
    plain = written(**asked, gaps={"call": 4})
    soft = written(**asked, gaps={"call": 4, "level": -6})
    for part in plain.parts:
        other = of(soft, part.name)
        for one, two in zip((*part.notes, *part.hits), (*other.notes, *other.hits), strict=True):
            answered = plain.chart.bar_at(one.start).role == "response"
            lowered = -6 if answered and part.name in ("drums", "comping", "bass") else 0
            assert (one.start, one.level + lowered) == (two.start, two.level)
    loud, quiet = (
        sum(note.velocity for voice in perform(score).voices for note in voice.notes)
        for score in (plain, soft)
    )
    assert quiet < loud
