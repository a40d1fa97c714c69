"""The chart: who plays in which bar, in which key, and where it stands in time."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from drillgen.chart import Chart, charts
from drillgen.drill.models import Drill


def chart(**written: Any) -> Chart:
    """The first chart of a drill written in plain data."""
    written.setdefault("progression", "ii7 | V7 | Imaj7 | %")
    return charts(Drill.model_validate(written))[0]


def roles(one: Chart) -> str:
    """A letter a bar: n count-in, C call, R response, P play, E ending."""
    letters = {"count-in": "n", "call": "C", "response": "R", "play": "P", "ending": "E"}
    return "".join(letters[bar.role] for bar in one.bars)


def symbols(one: Chart, role: str) -> list[str]:
    return [
        span.chord.text for bar in one.bars if bar.role == role for span in bar.spans if span.chord
    ]


def test_a_response_repeats_the_calls_bars() -> None:
    """`repeats`: the response goes over the same bars again, key by key."""
    one = chart(key_cycle=["C", "Bb"], gaps={"call": 4, "response": 4})
    assert roles(one) == "nn" + "CCCCRRRR" * 2 + "EE"
    assert symbols(one, "call") == symbols(one, "response")
    assert symbols(one, "call")[:3] == ["Dm7", "G7", "Cmaj7"]
    assert symbols(one, "call")[4:7] == ["Cm7", "F7", "Bbmaj7"]


def test_call_and_response_trade_through_the_form() -> None:
    """`continues`: trading twos over a twelve-bar form swaps sides in the second chorus of a key
    when the twelve bars hold an odd number of exchanges (common practice: trading fours)."""
    twelve = "I7 | IV7 | I7 | % | IV7 | % | I7 | % | V7 | IV7 | I7 | V7"
    one = chart(
        progression=twelve,
        key_cycle="C",
        passes=2,
        ending="none",
        gaps={"call": 4, "response": 4, "harmony": "continues"},
    )
    assert roles(one) == "nn" + "CCCCRRRRCCCC" + "RRRRCCCCRRRR"
    forms = [bar.form_bar for bar in one.bars if bar.form_bar >= 0]
    assert forms == [*range(12), *range(12)]


def test_a_short_last_call_gets_as_short_an_answer() -> None:
    """A form of six bars with calls of four: the last call has two bars, and so has its answer."""
    one = chart(progression="I | vi7 | ii7 | V7 | I | V7", key_cycle="C", gaps=4, ending="none")
    assert roles(one) == "nnCCCCRRRRCCRR"


def test_play_throughout() -> None:
    """Without gaps every bar is played."""
    assert roles(chart(gaps="none", key_cycle="C", passes=2)) == "nnPPPPPPPPEE"


def test_tracks() -> None:
    """Each tempo of a list is a track; `per key` splits each by key."""
    drill = Drill.model_validate(
        {
            "progression": "ii7 | V7",
            "tempo": [60, 72],
            "key_cycle": ["C", "F", "Bb"],
            "tracks": "per key",
        }
    )
    found = [(one.tempo.start, [key.short for key in one.keys]) for one in charts(drill)]
    assert found == [(60, ["C"]), (60, ["F"]), (60, ["Bb"]), (72, ["C"]), (72, ["F"]), (72, ["Bb"])]


def test_a_climbing_tempo_rises_on_each_pass_and_stays() -> None:
    """From 60 to 66 by 4, four passes are played at 60, 64, 66, 66; the count-in as the first."""
    one = chart(
        progression="I",
        key_cycle=["C", "F"],
        passes=2,
        gaps="none",
        count_in=1,
        ending="none",
        tempo={"from": 60, "to": 66, "step": 4},
    )
    assert [bar.tempo for bar in one.bars] == [60, 60, 64, 66, 66]


@pytest.mark.parametrize("tempo", [72, 97, 133.3, 181])
def test_an_hour_is_exact(tempo: float) -> None:
    """After an hour a bar's start lies within one sample of bars x beats x 60 / tempo (arithmetic
    done here in whole numbers and fractions)."""
    one = chart(
        progression="I | IV7 | V7 | %",
        passes=60,
        key_cycle="fourths",
        tempo=tempo,
        gaps="none",
        count_in=0,
        ending="none",
    )
    last = one.bars[-1]
    exact = Fraction(len(one.bars) - 1) * 4 * 60 / Fraction(str(tempo))
    assert one.seconds_at(last.start) > 3600
    assert abs(Fraction(one.seconds_at(last.start)) - exact) * 44100 < Fraction(1, 100)


def test_a_tempo_counts_dotted_quarters_in_compound_meters() -> None:
    """In 6/8 at 60 a bar of two beats lasts two seconds (common practice: the beat is dotted)."""
    from drillgen.drill.bars import METERS

    plain = Drill.model_validate(
        {
            "progression": "I | V7",
            "tempo": 60,
            "key_cycle": "C",
            "gaps": "none",
            "count_in": 0,
            "ending": "none",
        }
    )
    one = charts(plain.model_copy(update={"meter": METERS["6/8"]}))[0]
    assert one.seconds_at(one.bars[1].start) == 2.0


def test_symbols_are_transposed_from_the_written_key() -> None:
    """Chord symbols written in F are spelled rightly in Gb: the third of Abm7 is Cb, the seventh
    of Gb7 is Fb (the issue's own examples, common practice)."""
    one = chart(progression="Gm7 | C7/E | Fmaj7 | F7", key="F", key_cycle=["Gb"])
    assert symbols(one, "call") == ["Abm7", "Db7/F", "Gbmaj7", "Gb7"]
    spelled = [
        [str(name) for name in bar.spans[0].chord.names]
        for bar in one.bars
        if bar.role == "call" and bar.spans[0].chord
    ]
    assert spelled[0] == ["Ab", "Cb", "Eb", "Gb"]
    assert spelled[3] == ["Gb", "Bb", "Db", "Fb"]


def test_the_ending_rests_on_the_tonic() -> None:
    """A turnaround that ends on the dominant comes to rest on its own tonic chord; a form without
    one ends on the key's sixth chord."""
    assert symbols(chart(progression="Imaj7 vi7 | ii7 V7", key_cycle="Eb"), "ending")[0] == "Ebmaj7"
    assert symbols(chart(progression="ii7 | V7", key_cycle="Eb"), "ending")[0] == "Eb6"
    assert symbols(chart(progression="iiø7 | V7b9", key_cycle="F minor"), "ending")[0] == "Fm6"


def test_a_starting_note_has_a_bar_of_its_own() -> None:
    """The starting note sounds in a bar before the count-in's bars."""
    one = chart(count_in={"bars": 2, "starting_note": True}, key_cycle="C")
    assert roles(one).startswith("nnnC")


def test_roots_are_written_as_players_write_them() -> None:
    """In Gb the substitutes are G7, A7 and D7, and what is borrowed beside them is Bm7 E7: no
    chart has a root with a double accidental, nor Fb or Cb but the key's own (common practice)."""
    form = "subV7 | subV7/ii | subV7/V | iv7 | bVII7 | IVmaj7"
    one = chart(progression=form, key_cycle="Gb", gaps="none")
    assert symbols(one, "play") == ["G7", "A7", "D7", "Bm7", "E7", "Cbmaj7"]


def test_a_symbol_stays_as_it_was_written_in_its_key() -> None:
    """Fb7 asked for in Eb minor is Fb7 there; a whole tone lower it is D7, not Ebb7, and a semitone
    lower Eb7 (common practice)."""
    one = chart(progression="Fb7 | Ebm7", key="Eb minor", gaps="none",
                key_cycle=["Eb minor", "C# minor", "D minor"])  # fmt: skip
    assert symbols(one, "play")[::2] == ["Fb7", "D7", "Eb7"]
