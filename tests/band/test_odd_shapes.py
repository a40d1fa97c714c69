"""Every feel, meter, tempo, band and form, however odd, is written out soundly."""

from __future__ import annotations

import csv
from collections import defaultdict
from itertools import combinations, pairwise
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from drillgen.drill.bars import METERS
from drillgen.performance import perform
from drillgen.score import Score
from drillgen.timing import clock_of
from tests.band.playing import WITH_BASS, written
from tests.conftest import DATA
from tests.examples import examples

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
COMPING = ["piano", "electric piano", "guitar", "rhythm guitar", "vibraphone"]
TOOLS = st.sampled_from(["sticks", "brushes"])
DENSITY = st.sampled_from([0.0, 0.5, 1.0])


@st.composite
def drills(draw: st.DrawFn) -> dict[str, Any]:
    name, meter, bass = draw(st.sampled_from(WITH_BASS))
    beats, one = METERS[meter].beats, st.sampled_from(CHORDS)
    crowd = [1, beats]  # a chord a beat, or two; two in a bar of three
    crowd += {"4/4": [2, 8], "3/4": [2], "2/4": [4]}.get(meter, [])
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
                "kind": draw(st.sampled_from(COMPING)),
                "density": draw(DENSITY),
            },
            "bass": {"kind": bass, "density": draw(DENSITY)},
        },
        "gaps": "none",
        "seed": draw(st.integers(0, 1000)),
    }


@examples(120)
@given(drill=drills(), gaps=st.sampled_from(GAPS), exact=st.booleans())
def test_every_feel_plays_every_form(drill, gaps, exact):
    """Whatever is asked for."""
    drill = drill | {"gaps": gaps if drill["line"] != "off" else "none"}
    if "harmony" in drill["gaps"]:
        drill["passes"] = 3  # a trade needs bars enough for an answer
    score = written(**drill, timing="exact" if exact else "loose")
    is_sound(score, gaps)
    stays_within_its_bounds(score)


def is_sound(score: Score, gaps: Any) -> None:
    """Nothing sounds outside the track, for no time, twice at once, in a silent bar, or under N.C.;
    the bass plays one note at a time, and every chord's beginning."""
    chart = score.chart
    bass = next(part for part in score.parts if part.name == "bass")
    chords_at = {
        note.start for part in score.parts if part.name == "comping" for note in part.notes
    }
    for part in score.parts:
        assert all(note.duration > 0 and note.start >= 0 for note in part.notes)
        assert all(note.start + note.duration <= chart.end for note in part.notes)
        struck = [(hit.start, hit.key) for hit in part.hits]
        assert len(struck) == len(set(struck))
        if part.name == "bass":
            notes = sorted(part.notes, key=lambda note: note.start)
            assert all(one.start + one.duration <= two.start for one, two in pairwise(notes))
    has_line = chart.drill.line is not None
    silent = has_line and gaps != "none" and gaps.get("band", "plays") != "plays"
    for bar in chart.bars:
        plays = bar.form_bar >= 0 and not (silent and bar.role == "response")
        for span in bar.spans:
            inside = [n.start for n in bass.notes if span.start <= n.start < span.end]
            struck_in = any(span.start <= start < span.end for start in chords_at)
            assert span.chord is not None or not struck_in
            if bar.form_bar >= 0:
                assert (span.start in inside) == (plays and span.chord is not None)
                assert span.chord is not None or not inside
    performance = perform(score)
    for voice in performance.voices:
        assert all(0 <= note.start < performance.seconds for note in voice.notes)
        assert all(1 <= note.velocity <= 127 for note in voice.notes)


BAND = ("drums", "comping", "bass")
LOWEST, HIGHEST = 28, 55  # E1 and G3: strings and a practical top of the double bass


def low_interval_limits() -> dict[int, int]:
    """By semitones, the lowest MIDI key under which an interval is muddy: a published table."""
    with (DATA / "low_interval_limits.csv").open(encoding="utf-8") as file:
        rows = [list(row.values()) for row in csv.DictReader(file)]
    return {int(semitones): int(lowest) for _, semitones, lowest, _ in rows}


def stays_within_its_bounds(score: Score) -> None:
    """Chords keep above the low interval limits and in two octaves and a
    half, the bass keeps to E1 to G3, and two players at one place are so near that it is one (less
    than an eighth of a second), or exactly together where the timing is to be exact."""
    limits = low_interval_limits()
    # F2 is the lowest fret of a guitar's sixth string, F3 a vibraphone's lowest bar; a pianist's
    # left hand plays roots from E2 where there is no bass, in a ballad from C2.
    piano = 36 if score.chart.drill.feel == "ballad" else 40
    kind = score.chart.drill.band.comping.kind
    lowest = {"guitar": 41, "rhythm guitar": 41, "vibraphone": 53}.get(kind, piano)
    for keys in _chords(score):
        assert keys[0] >= lowest and keys[-1] <= 77
        assert all(low >= limits.get(high - low, 0) for low, high in combinations(keys, 2))
    bass = [note.pitch.midi for part in score.parts if part.name == "bass" for note in part.notes]
    assert all(LOWEST <= key <= HIGHEST for key in bass)
    assert _apart(score) < (1e-9 if score.chart.drill.timing == "exact" else 125.0)


def _chords(score: Score) -> list[list[int]]:
    """The MIDI keys of each stroke of the comping, from low to high."""
    found = defaultdict(list)
    for part in score.parts:
        for note in part.notes if part.name == "comping" else ():
            found[note.start].append(note.pitch.midi)
    return [sorted(keys) for keys in found.values()]


def _apart(score: Score) -> float:
    """How far two players of the band are apart at most at one written place, ms."""
    moments = defaultdict(list)
    for part in score.parts:
        if part.name in BAND:
            clock = clock_of(score.chart, part.name)
            for place in {event.start for event in (*part.notes, *part.hits)}:
                moments[place].append(clock(place) * 1000)
    return max((max(each) - min(each) for each in moments.values()), default=0.0)
