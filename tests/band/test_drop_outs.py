"""Drop-outs: the band falls silent and comes back in time."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.arrange import arrange
from drillgen.chart import Bar, charts
from drillgen.drill.models import Drill
from drillgen.score import Score
from tests.examples import examples

BAND = {"drums": "sticks", "comping": "piano", "bass": "walking", "click": "beats"}


def written(**drill: Any) -> Score:
    plain = {
        "progression": "I7 | IV7 | I7 | % | IV7 | % | I7 | % | V7 | IV7 | I7 | V7",
        "key_cycle": ["F", "Bb"],
        "band": BAND,
        "gaps": "none",
        "line": "roots",
    }
    return arrange(charts(Drill.model_validate({**plain, **drill}))[0])


def sounding(score: Score, bar: Bar) -> set[str]:
    """The parts that begin something in a bar."""
    return {
        part.name
        for part in score.parts
        for event in (*part.notes, *part.hits)
        if bar.start <= event.start < bar.end
    }


def test_the_last_bars_of_every_eight_are_silent() -> None:
    """`{every: 8, bars: 2}`: counted from the first bar after the count-in, through the keys, bars
    7 and 8 of every eight are without band, click included; all others have all of it, but that
    the comping leaves a bar out now and then."""
    score = written(drop_outs={"every": 8, "bars": 2}, count_in={"bars": 2, "starting_note": True})
    bars = [bar for bar in score.chart.bars if bar.role == "play"]
    assert len(bars) == 24
    for number, bar in enumerate(bars):
        silent = number % 8 in (6, 7)
        heard = sounding(score, bar) - {"line"}
        assert heard == set() if silent else heard | {"comping"} == set(BAND)


def test_nothing_of_the_band_rings_into_a_drop_out() -> None:
    """Written notes of bass and comping end where the drop-out begins, and no stroke anticipates
    a chord that is left out."""
    score = written(drop_outs=4, band={"drums": "off", "comping": "piano", "bass": "two-beat"})
    first = next(bar.number for bar in score.chart.bars if bar.form_bar >= 0)
    silent = [b for b in score.chart.bars if b.form_bar >= 0 and (b.number - first) % 4 >= 2]
    assert silent
    for bar in silent:
        for name in ("bass", "comping"):
            for note in score.part(name).notes:  # type: ignore[union-attr, arg-type]
                assert note.start >= bar.end or note.start + note.duration <= bar.start


def test_the_line_goes_on() -> None:
    """The line, its calls included, is the same with drop-outs as without."""
    for gaps in ("none", {"call": 2, "response": 2}):
        asked = {"gaps": gaps, "band": "off"}
        assert written(**asked, drop_outs=8).part("line") == written(**asked).part("line")


def test_time_goes_on() -> None:
    """Bars last as long as without drop-outs, and the track is as long."""
    one, other = (written(drop_outs=each, band="off").chart for each in (8, "none"))
    assert one.seconds == other.seconds
    assert [bar.start for bar in one.bars] == [bar.start for bar in other.bars]


def test_the_ending_and_its_tag_are_played() -> None:
    """However the count falls, the tag and the held chord are played by the whole band."""
    score = written(drop_outs={"every": 4, "bars": 3}, ending="tag")
    tag = [bar for bar in score.chart.bars if bar.tag]
    always = set(BAND) - {"click", "comping"}
    assert len(tag) == 4 and all(sounding(score, bar) >= always for bar in tag)
    assert any("comping" in sounding(score, bar) for bar in tag)
    held = next(bar for bar in score.chart.bars if bar.role == "ending")
    assert sounding(score, held) >= {"drums", "comping", "bass"}


@pytest.mark.parametrize(
    ("value", "expected"),
    [(8, (8, 2)), ({"bars": 4}, (8, 4)), ({"every": 16, "bars": 4}, (16, 4)), ("none", None)],
)
def test_short_forms(value: Any, expected: tuple[int, int] | None) -> None:
    """A number is how many bars are counted; two of them are silent unless another number is
    given; none leaves drop-outs out."""
    found = Drill.model_validate({"progression": "I", "drop_outs": value}).drop_outs
    assert (found and (found.every, found.bars)) == expected


@pytest.mark.parametrize("value", [{"every": 4, "bars": 4}, {"every": 2, "bars": 5}, 1, 2, 65])
def test_something_must_be_played(value: Any) -> None:
    """Drop-outs that leave no bar to play are refused."""
    with pytest.raises(ValueError, match=r"none to play|allowed"):
        Drill.model_validate({"progression": "I", "drop_outs": value})


@examples(20)
@given(
    every=st.integers(2, 12),
    bars=st.integers(1, 11),
    gaps=st.sampled_from(["none", {"call": 2}, {"call": 1, "response": 3, "band": "time"}]),
    count_in=st.integers(0, 3),
)
def test_silence_is_silence(every: int, bars: int, gaps: Any, count_in: int) -> None:
    """For any numbers, with calls and responses too: in a drop-out nothing but the line begins."""
    if bars >= every:
        return
    score = written(drop_outs={"every": every, "bars": bars}, gaps=gaps, count_in=count_in)
    form = [bar for bar in score.chart.bars if bar.form_bar >= 0]
    for number, bar in enumerate(form):
        if number % every >= every - bars:
            assert sounding(score, bar) <= {"line"}
