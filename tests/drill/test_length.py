"""How long a track may be, and that it is known before the track is laid out."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.chart import charts
from drillgen.drill.messages import DrillError
from drillgen.drill.models import seconds
from drillgen.drill.reader import drill_of, parse_drill
from tests.conftest import Run
from tests.examples import examples

HOURS = "progression: C | C | C | C\npasses: ¦100\nkey_cycle: {start: C, move: 5, keys: 48}\n"


@examples(60)
@given(
    form=st.integers(1, 9),
    passes=st.integers(1, 4),
    keys=st.integers(1, 4),
    gaps=st.one_of(
        st.just("none"),
        st.builds(
            lambda call, response, harmony: {
                "call": call,
                "response": response,
                "harmony": harmony,
            },
            st.integers(1, 6),
            st.integers(1, 9),
            st.sampled_from(["repeats", "continues"]),
        ),
    ),
    tempo=st.sampled_from([97, {"from": 60, "to": 75, "step": 4}, {"from": 90, "to": 83}]),
    count_in=st.sampled_from([0, 2, {"bars": 1, "starting_note": True}]),
    meter=st.sampled_from(["4/4", "3/4"]),
)
def test_it_is_as_long_as_its_chart(form, passes, keys, gaps, tempo, count_in, meter):
    """Without an ending, the length is that of the bars laid out one by one."""
    written = {
        "progression": " | ".join(["C"] * form),
        "passes": passes,
        "key_cycle": {"start": "C", "move": 5, "keys": keys},
        "gaps": gaps,
        "tempo": tempo,
        "count_in": count_in,
        "meter": meter,
        "feel": "jazz waltz" if meter == "3/4" else "swing",
        "ending": "none",
    }
    try:
        drill = drill_of(written)
    except DrillError as error:
        assert "nobody would answer" in str(error)
        return
    (chart,) = charts(drill)
    assert seconds(drill, keys, drill.tempos[0]) == pytest.approx(chart.seconds, rel=1e-9)


@pytest.mark.parametrize(
    ("more", "place", "cures"),
    [
        ("", "passes", ("fewer passes", "fewer keys", "per key", "shorter responses")),
        ("gaps: none\n", "passes", ("fewer passes", "fewer keys", "per key")),
        (
            "gaps: {call: 1, response: 64}\nprogression: C | F\npasses: 1\n",
            "key_cycle",
            ("fewer keys",),
        ),
        (
            "gaps: {call: 1, response: 64}\ntracks: per key\nkey_cycle: C\n",
            "passes",
            ("fewer passes",),
        ),
    ],
)
def test_a_track_of_many_hours_is_refused(more, place, cures):
    """The key that multiplies is cited, with its line, and what else makes the track shorter."""
    rows = dict(row.split(": ", 1) for row in HOURS.replace("¦", "").splitlines())
    rows |= {"tempo": "30"} | dict(row.split(": ", 1) for row in more.splitlines())
    text = "\n".join(f"{key}: {value}" for key, value in rows.items())
    with pytest.raises(DrillError) as caught:
        parse_drill(text)
    (problem,) = caught.value.problems
    assert problem.path == place
    assert problem.line == list(rows).index(place) + 1
    assert "up to 3 hours" in problem.allowed and all(cure in problem.allowed for cure in cures)
    assert ("passes" in problem.allowed) == (rows["passes"] != "1")


def test_what_is_said_is_so():
    """48 keys of 100 passes of four bars of four beats at 60, each answered in four bars, are
    2 x 76,800 seconds and the count-in's 8: 42 h 40 min.  Apart they are 53 minutes each."""
    text = HOURS.replace("¦", "") + "tempo: 60\n"
    with pytest.raises(DrillError, match=r"42 h 40 min \(passes: 100, keys: 48\)"):
        parse_drill(text)
    apart = text.replace("keys: 48", "keys: 12") + "tracks: per key\n"
    assert len(charts(parse_drill(apart))) == 12


@pytest.mark.parametrize("command", ["check", "build"])
def test_both_commands_refuse_it(drillgen: Run, tmp_path, command):
    """At its place, with exit code 2, and nothing is made; without charts, since the message is all
    that is said."""
    path = tmp_path / "drill.yaml"
    path.write_text(HOURS.replace("¦", ""), "utf-8")
    where = ["-o", tmp_path / "out"] if command == "build" else []
    done = drillgen(command, path, *where)
    assert done.returncode == 2 and done.stdout == ""
    assert done.stderr.startswith(f"{path}:2:9: passes: a track at 80 would take 32 h")
    assert not (tmp_path / "out").exists()
