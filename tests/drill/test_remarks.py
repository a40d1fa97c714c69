"""What is remarked on, against the chart that is played."""

from __future__ import annotations

import re
from itertools import count, takewhile

from hypothesis import assume, given
from hypothesis import strategies as st

from drillgen.chart import charts
from drillgen.drill.messages import DrillError
from drillgen.drill.reader import drill_of
from drillgen.listing import remarks

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
        if said[2]:
            enough = count(passes + 1)
            fewest = next(n for n in enough if set(never) <= traded(bars, call, response, n)[1])
            assert int(said[2]) == fewest
        else:
            assert not set(never) <= traded(bars, call, response, call + response)[1]
