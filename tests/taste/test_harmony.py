"""What goes with a chord and what does not (common practice, where nothing else is named)."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from quicktions import Fraction

from drillgen.band.hands import TopVoice
from drillgen.band.walking import standing
from drillgen.drift import _of_track
from drillgen.drill.bars import METERS
from drillgen.lines import phrases
from drillgen.sheet.sheets import sheets
from drillgen.sheet.values import Window, _rest_values
from drillgen.theory.chords import parse_chord
from drillgen.theory.pitch import Degree, Key, Name
from drillgen.theory.voicings import _chosen_tones
from tests.band.playing import only
from tests.taste.heard import heard


@pytest.mark.parametrize(
    ("chord", "never"),
    [("Cm7", "E"), ("C7", "Eb"), ("C7", "B"), ("Cmaj7", "Bb"), ("C6", "Bb"), ("Cm7b5", "G"),
     ("C7#5", "G"), ("Cmaj7", "Db"), ("Cm7", "Db")],
)  # fmt: skip
def test_a_bass_does_not_contradict_its_chord(chord: str, never: str) -> None:
    """No other version of a third, fifth or seventh that the chord has, and no minor ninth over
    what is no dominant; every tone of the chord stands above that, and what is left out of a scale
    between them."""
    read = parse_chord(chord)
    stands = standing(read, Key.parse("C"))
    assert stands[Name.parse(never).pitch_class] == 0
    assert all(stands[name.pitch_class] == max(stands) for name in read.names)


def test_a_dominant_has_its_minor_ninth() -> None:
    """It is no mistake over one, and a 13 takes neither fifth nor seventh away."""
    stands = standing(parse_chord("C13"), Key.parse("F"))
    assert all(stands[Name.parse(name).pitch_class] for name in ("Db", "G", "Bb", "A"))


@pytest.mark.parametrize(
    ("chord", "third", "seventh"),
    [("C6", "3", "6"), ("Cm6", "b3", "6"), ("Cmaj7", "3", "7"), ("C", "3", "1"),
     ("Cm(b6)", "b3", "1")],
)  # fmt: skip
def test_what_stands_for_a_seventh(chord: str, third: str, seventh: str) -> None:
    """The sixth in a chord that has one instead, but no flat sixth; in a triad the root."""
    assert parse_chord(chord).guide_tones == (Degree.parse(third), Degree.parse(seventh))


@pytest.mark.parametrize(("chord", "eleventh"), [("C13", False), ("Cm13", True), ("Cm11", True)])
def test_an_eleventh_over_a_major_third_is_only_implied(chord: str, eleventh: bool) -> None:
    """A thirteenth chord names all thirds up to its 13, and is played without the eleventh where
    that would lie a semitone over the third."""
    assert (Degree(11) in parse_chord(chord).played) is eleventh


@pytest.mark.parametrize("bpm_swings", [0.2, 1.0, 5.0])
def test_no_track_swings_wider_than_three_to_one(bpm_swings: float) -> None:
    """A dotted eighth and a sixteenth, unless the drill itself asks for more."""
    assert 2 < _of_track(2.0, bpm_swings) <= 3 and _of_track(3.5, bpm_swings) == 3.5


def test_a_triplet_of_the_bass_falls_within_its_beat(monkeypatch: pytest.MonkeyPatch) -> None:
    """A walking bass that drops in triplets plays on each third of the beat, and no two notes at
    once."""
    monkeypatch.setattr("drillgen.band.bass._TRIPLETS", 0.9)  # a player who loves them
    bass = {"kind": "walking", "density": 1}
    own = {"title": "Of this player alone", "band": only("bass", bass)}
    part = heard(**own, passes=4, tempo=100).score.part("bass")
    assert part is not None
    starts = [note.start for note in part.notes]
    thirds = [start % 1 * 3 for start in starts if start.denominator == 3]
    assert thirds.count(1) == thirds.count(2) > 4 and len(thirds) == 2 * thirds.count(1)
    assert len(set(starts)) == len(starts)


def test_no_note_stands_better_against_a_chord_than_its_own() -> None:
    """Long or short, on a strong place or not; a long one rubs more than a short one, and most a
    semitone over a tone of the chord, blue notes apart."""
    pool: Any = [SimpleNamespace(semitones=semitones) for semitones in range(12)]
    time: Any = SimpleNamespace(beat=4, is_strong=lambda start: start % 8 == 0)
    ground = phrases.Ground(pool, frozenset(), frozenset(), (), None, time)
    seventh = (0, 4, 7, 10)
    rub = {
        (stroke, note): phrases._rub(stroke, note, seventh, ground)
        for stroke in ((0, 4), (0, 1), (4, 8), (2, 3))
        for note in range(12)
    }
    own = [price for (_, note), price in rub.items() if note in seventh]
    assert max(own) <= min(rub.values())
    assert rub[(0, 4), 2] > rub[(0, 1), 2] > rub[(2, 3), 2]
    assert rub[(4, 8), 8] == max(rub.values()) > rub[(4, 8), 2]


@pytest.mark.parametrize(
    ("wish", "strokes", "best"),
    [("stay", 1, {0}), ("step", 1, {1, 2}), ("third", 1, {3, 4}), ("stay", 3, {1, 2}),
     ("third", 3, {3, 4})],
)  # fmt: skip
def test_a_top_voice_gets_what_is_nearest_to_its_wish(
    wish: str, strokes: int, best: set[int]
) -> None:
    """A step is a semitone or a tone, a third three or four semitones; the further from that, the
    worse.  A tone that was struck three times goes on by step where it would rather stay."""
    chance: Any = SimpleNamespace(choices=lambda *_: [wish], random=lambda: 0.99)
    top = TopVoice(chance)
    for number in range(strokes):
        top.went((60 - number, 64, 67))
    price = top.taste()
    prices = [price((60, 64, 67 + moved)) for moved in range(8)]
    assert {moved for moved, each in enumerate(prices) if each == min(prices)} == best
    assert prices[: min(best) + 1] == sorted(prices[: min(best) + 1], reverse=True)
    assert prices[max(best) :] == sorted(prices[max(best) :])


@pytest.mark.parametrize("size", [2, 3, 4])
def test_before_a_third_is_left_alone_it_has_one_tone_beside_it(size: int) -> None:
    """Where no more fits into a register: third and seventh go last of all but the third."""
    chosen = [set(degrees) for degrees in _chosen_tones(parse_chord("C9"), None, size)]
    third = Degree.parse("3")
    assert len(chosen[0]) == size and chosen[-1] == {third}
    assert {third, Degree.parse("9")} in chosen and {third, Degree.parse("b7")} in chosen


def test_rests_within_a_triplet() -> None:
    """Two of its thirds, one, and halves and quarters of one: quarter, eighth, sixteenth and
    thirty-second rests under a bracket of three over a beat."""
    beat = Window(Fraction(0), Fraction(1))
    quarter = Fraction(2, 3)
    found = list(_rest_values(Fraction(0), METERS["4/4"], beat))
    assert found == [quarter, quarter / 2, quarter / 4, quarter / 8]


def test_each_key_of_a_sheet_begins_with_its_signature() -> None:
    """C major without accidentals, F with a flat (circle of fifths), in the first bar of each and
    in no other; the calls of a line by ear stand on an answers' sheet of their own."""
    drill = {"progression": "ii7 | V7 | I6 | %", "gaps": 2, "count_in": 0, "ending": "none"}
    by_ear = sheets((heard(line="phrases", key_cycle=["C", "F"], **drill).score,))
    written = sheets((heard(line="roots", key_cycle=["C", "F"], **drill).score,))
    assert by_ear.revealed is not None and written.revealed is None
    measures = ET.fromstring(written.musicxml.partition("?>")[2]).iter("measure")
    found = [measure.findtext("attributes/key/fifths") for measure in measures]
    assert [fifths for fifths in found if fifths] == ["0", "-1"] and found[0] == "0"
