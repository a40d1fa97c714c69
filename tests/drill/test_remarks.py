"""What is remarked on, against the chart that is played."""

from __future__ import annotations

import re
from itertools import count, takewhile

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from drillgen.chart import charts
from drillgen.drill.messages import DrillError
from drillgen.drill.reader import drill_of
from drillgen.listing import remarks

ONCE = {"progression": "Imaj7 | vi7 | ii7 | V7", "key_cycle": "C"}


@pytest.mark.parametrize(
    ("drill", "said", "otherwise"),
    [
        ({"gaps": {"call": 8, "response": 8}}, "calls of 8 bars are longer than the form",
         {"gaps": {"call": 4, "response": 4}}),
        ({"tempo": {"from": 60, "to": 80}}, "stays at 60: the track has 1 pass; passes: 6 would",
         {"tempo": {"from": 60, "to": 80}, "passes": 6}),
        ({"tempo": {"from": 60, "to": 80}, "passes": 2}, "ends at 64: the track has 2 passes",
         {"tempo": {"from": 60, "to": 64}, "passes": 2}),
        ({"line": "walking", "band": {"bass": "walking"}}, "two basses at once",
         {"line": "walking", "band": {"bass": "off"}}),
        ({"line": "phrases"}, "4 stages, and the track has 1 call",
         {"line": "phrases", "passes": 4}),
        ({"progression": "Gm7 | C7 | Fmaj7 | %", "key_cycle": None}, "perhaps key: F",
         {"progression": "Gm7 | C7 | Fmaj7 | %", "key": "F", "key_cycle": None}),
        ({"progression": "F7 | Bb7 | F7 | C7", "key_cycle": None}, "perhaps key: F",
         {"progression": "C7 | F7 | C7 | G7", "key_cycle": None}),
        ({"progression": "F7 | Bb7 | F7 | F7", "key_cycle": "F"}, "C major stands over",
         {"progression": "F7 | Bb7 | F7 | F7", "key": "F", "key_cycle": "F"}),
        ({"progression": "V6/5 | I"}, "V6/5 is G6/D in C major; what a theory book calls so is V7",
         {"progression": "V6 | I/5"}),
    ],
)  # fmt: skip
def test_what_is_seldom_meant(drill, said, otherwise):
    """What can be played and is seldom meant is remarked on; what is near it and plain is not."""

    def told(asked):
        return " ".join(
            remarks(drill_of({k: v for k, v in (ONCE | asked).items() if v is not None}))
        )

    assert said in told(drill)
    assert not told(otherwise)


SMALL = st.integers(1, 8)
LAST = re.compile(r"bars? (\d+)(?:-\d+)? (?:is|are) always the call's(?:; passes: (\d+))?")


def traded(bars, call, response, passes):
    """A drill in which call and response trade through two keys, and the bars of the form that
    the student gets in the first."""
    gaps = {"call": call, "response": response, "harmony": "continues"}
    drill = drill_of(
        {"progression": ["I"] * bars, "gaps": gaps, "passes": passes, "key_cycle": ["C", "F"]}
    )
    chart = charts(drill)[0]
    return drill, {
        bar.form_bar for bar in chart.bars if bar.role == "response" and bar.key_number == 0
    }


@given(st.integers(1, 12), SMALL, SMALL, st.integers(1, 3))
def test_bars_that_are_always_the_calls(bars, call, response, passes):
    """The last bars that no response of the chart reaches are named, with the fewest passes in
    whose chart the student gets all of them, where there is such a number."""
    try:
        drill, answered = traded(bars, call, response, passes)
    except DrillError:
        assume(False)  # nobody would answer: refused
    never = list(takewhile(lambda bar: bar not in answered, reversed(range(bars))))
    said = next(filter(None, map(LAST.match, remarks(drill))), None)
    assert (said is None) == (not never)
    if said:
        assert int(said[1]) == min(never) + 1
        several = f"bars {min(never) + 1}-{bars} are "
        assert said[0].startswith(several if len(never) > 1 else f"bar {bars} is ")
        if said[2]:
            enough = count(passes + 1)
            fewest = next(n for n in enough if set(never) <= traded(bars, call, response, n)[1])
            assert int(said[2]) == fewest
        else:
            assert not set(never) <= traded(bars, call, response, call + response)[1]
