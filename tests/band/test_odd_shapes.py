"""Every feel, meter, tempo, band and form, however odd, is written out soundly."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from drillgen.drill.meter import METERS
from drillgen.performance import perform
from tests.band.playing import WITH_BASS, written

CHORDS = ["Imaj7", "ii7", "V7", "i6", "iiø7", "V7b9", "V7alt", "subV7", "#ivo7", "VI7/3", "N.C.",
          "Vsus", "I", "ii7/5", "bVII13"]  # fmt: skip
GAPS: list[Any] = [
    "none",
    {"call": 1},
    {"call": 1, "response": 2, "level": -12},
    {"call": 2, "response": 3, "harmony": "continues"},
    {"call": 4, "band": "silent"},
    {"call": 4, "band": "time"},
]
TEMPOS: list[Any] = [30, 72, 140, 200, 221, 360, {"from": 100, "to": 300, "step": 100}]
TOOLS = st.sampled_from(["sticks", "brushes"])
DENSITY = st.sampled_from([0.0, 0.5, 1.0])


@st.composite
def drills(draw: st.DrawFn) -> dict[str, Any]:
    name, meter, bass = draw(st.sampled_from(WITH_BASS))
    beats, one = METERS[meter].beats, st.sampled_from(CHORDS)
    crowd = [1, beats] + ([8] if meter == "4/4" else [])  # a chord a beat, or two
    bar = st.sampled_from(crowd).flatmap(lambda n: st.lists(one, min_size=n, max_size=n))
    uneven = one.flatmap(lambda a: one.map(lambda b: [a, *["/"] * (beats - 2), b]))
    forms = draw(st.lists(bar | uneven, min_size=1, max_size=5))
    return {
        "feel": name,
        "meter": meter,
        "progression": " | ".join(" ".join(chords) for chords in forms),
        "tempo": draw(st.sampled_from(TEMPOS)),
        "passes": draw(st.integers(1, 3)),
        "key_cycle": draw(st.sampled_from([["C"], ["F#", "Bbm"]])),
        "line": draw(st.sampled_from(["off", "roots"])),
        "ending": draw(st.sampled_from(["hold", "none"])),
        "count_in": draw(st.sampled_from([0, 1, 2, 3])),
        "band": {
            "drums": {
                "kind": draw(TOOLS),
                "density": draw(DENSITY),
            },
            "comping": {
                "kind": draw(st.sampled_from(["piano", "guitar", "rhythm guitar", "vibraphone"])),
                "density": draw(DENSITY),
            },
            "bass": {"kind": bass, "density": draw(DENSITY)},
        },
        "gaps": "none",
        "seed": draw(st.integers(0, 1000)),
    }


@settings(max_examples=150, deadline=None)
@given(drill=drills(), gaps=st.sampled_from(GAPS))
def test_every_feel_plays_every_form(drill, gaps):
    """Nothing sounds outside the track, for no time, twice at once, in a silent bar, or under N.C.;
    the bass plays one note at a time, and every chord's beginning."""
    drill = drill | {"gaps": gaps if drill["line"] != "off" else "none"}
    if "harmony" in drill["gaps"]:
        drill["passes"] = 3  # a trade needs bars enough for an answer
    score = written(**drill)
    chart = score.chart
    bass = next(part for part in score.parts if part.name == "bass")
    for part in score.parts:
        assert all(note.duration > 0 and note.start >= 0 for note in part.notes)
        assert all(note.start + note.duration <= chart.end for note in part.notes)
        struck = [(hit.start, hit.key) for hit in part.hits]
        assert len(struck) == len(set(struck))
        if part.name == "bass":
            notes = sorted(part.notes, key=lambda note: note.start)
            assert all(one.start + one.duration <= two.start for one, two in pairwise(notes))
    silent = drill["line"] != "off" and gaps != "none" and gaps.get("band", "plays") != "plays"
    for bar in chart.bars:
        plays = bar.form_bar >= 0 and not (silent and bar.role == "response")
        for span in bar.spans:
            inside = [n.start for n in bass.notes if span.start <= n.start < span.end]
            if bar.form_bar >= 0:
                assert (span.start in inside) == (plays and span.chord is not None)
                assert span.chord is not None or not inside
    performance = perform(score)
    for voice in performance.voices:
        assert all(0 <= note.start < performance.seconds for note in voice.notes)
        assert all(1 <= note.velocity <= 127 for note in voice.notes)
