"""What drummer, bass and chords choose to play, counted over many bars.

Ranges are common practice, but where drummers were measured: "GM" is the Groove MIDI Dataset
(CC BY 4.0), 6 to 8 jazz performances of drummers alone, who are busier than behind a student;
medians and 10 to 90 % of tracks.
"""

from __future__ import annotations

from itertools import pairwise
from statistics import mean
from typing import Any

import pytest

from drillgen.chart import Bar
from drillgen.score import Score
from tests.band.playing import EIGHT, bars, of, only, struck, written
from tests.taste.heard import heard, loudness

FORM = {
    "progression": {"A": "ii7 | V7 | Imaj7 | %", "B": "III7 | VI7 | II7 | V7", "form": "A A B A"}
}
CRASH, BELL, RIDE = 49, 53, 51  # General MIDI percussion
HANDS = (38, 45, 48)  # snare and toms


def fills(score: Score, bar: Bar) -> bool:
    """Whether the hand leaves the ride before the fourth beat, which it plays in every pattern of
    medium swing."""
    return 3 not in struck(score, bar, "ride cymbal")


def test_how_often_a_section_gets_a_fill() -> None:
    """Of the three sections inside A A B A about one (two thirds to one and a half) is led into by
    a fill, others are set up without toms; the top of the form always (common practice: a fill
    marks the form)."""
    found, tops = [], []
    for seed in range(12):
        band = only("drums", "sticks")
        score = written(**FORM, seed=seed, tempo=120, passes=4, band=band)
        form = bars(score)
        for bar, following in pairwise(form):
            if following.starts_section or following.pass_number > bar.pass_number:
                kind = tops if following.pass_number > bar.pass_number else found
                kind.append(fills(score, bar))
    assert len(found) > 100 and 2 / 3 <= 3 * mean(found) <= 3 / 2
    assert len(tops) > 30 and all(tops)


def test_toms_and_crashes_are_as_many_as_drummers_play() -> None:
    """In the lower half of what was measured (GM: 0.4 to 2.0 a bar, median 1.2)."""
    loud = bars_played = 0
    for seed in range(4):
        score = written(**FORM, seed=seed, tempo=120, passes=4, band=only("drums", "sticks"))
        loud += sum(hit.key in (CRASH, *HANDS[1:]) for hit in of(score, "drums").hits)
        bars_played += len(bars(score))
    assert 0.4 <= loud / bars_played <= 1.2


def test_a_fill_stays_under_the_line() -> None:
    """Plain strokes of a fill are 3 to 5 dB softer than the ride's in the same bars."""
    band = only("drums", {"kind": "sticks", "density": 0})
    track = heard(band=band, passes=40, tempo=120,
                  progression=EIGHT)  # fmt: skip
    by_bar: dict[int, dict[bool, list[float]]] = {}
    for event, note in track.events("drums"):
        if event.touch == "normal" and note.pitch in (RIDE, *HANDS):
            number = track.score.chart.bar_at(event.start).number
            both = by_bar.setdefault(number, {True: [], False: []})
            both[note.pitch == RIDE].append(loudness(note))
    under = [mean(b[True]) - level for b in by_bar.values() if b[True] for level in b[False]]
    assert len(under) > 30 and 3 <= mean(under) <= 5


def test_a_short_form_is_felt_in_eights() -> None:
    """Four bars over and over: a crash every eight bars; in the fourth bar between the bell, or
    now and then, where a set-up led to it, another crash."""
    score = written(progression="ii7 | V7 | Imaj7 | %", passes=8, tempo=120, ending="none",
                    band=only("drums", "sticks"))  # fmt: skip
    first = bars(score)[0].number
    hits = of(score, "drums").hits
    at = {
        key: sorted({score.chart.bar_at(h.start).number - first for h in hits if h.key == key})
        for key in (CRASH, BELL)
    }
    between = {4, 12, 20, 28}
    assert {0, 8, 16, 24} <= {*at[CRASH]}
    assert {*at[BELL]} <= between <= {*at[BELL], *at[CRASH]} and len(at[BELL]) >= 2


@pytest.mark.parametrize(
    ("kit", "mark", "hand", "least", "most"),
    [("sticks", CRASH, RIDE, 6, 12), ("sticks", BELL, RIDE, 4.5, 8), ("brushes", RIDE, 38, 6, 14)],
)
def test_the_form_is_marked_lightly(
    kit: str, mark: int, hand: int, least: float, most: float
) -> None:
    """The crash at the top lies 6 to 12 dB under the ride, the bell of a section 4.5 to 8; with
    brushes a ride lies 6 to 14 under the taps."""
    track = heard(band=only("drums", {"kind": kit, "density": 0}), passes=24, tempo=120,
                  progression="ii7 | V7 | I6 | %")  # fmt: skip
    plain = [
        (note.pitch, loudness(note)) for e, note in track.events("drums") if e.touch == "normal"
    ]
    levels = {key: mean(level for pitch, level in plain if pitch == key) for key in (mark, hand)}
    assert least <= levels[hand] - levels[mark] <= most


@pytest.mark.parametrize(("density", "least", "most"), [(0, 0, 0), (0.5, 0.4, 1.65), (1, 1, 2.9)])
def test_how_much_the_snare_comments(density: float, least: float, most: float) -> None:
    """Strokes a bar, fills apart: none, between the least busy drummers and half-way to the middle,
    or a stroke a bar and more, up to the middle, as the drums' density says (GM: 0.4 to 3.7, median
    2.9)."""
    found = []
    for seed in range(4):
        band = only("drums", {"kind": "sticks", "density": density})
        score = written(seed=seed, tempo=120, passes=12, band=band, progression="I6 | " * 7 + "V7")
        form = bars(score)
        quiet = [bar for bar in form if not fills(score, bar)]
        found += [len(struck(score, bar, "snare")) for bar in quiet]
    assert len(found) > 250 and least <= mean(found) <= most


def test_a_skipped_bass_note_is_soft() -> None:
    """Ghosted and dead eighths of a bass in two are at least 4 dB and at most 14 under its others:
    they lead the ear to the next note."""
    bass = {"kind": "two-beat", "density": 1}
    track = heard(band=only("bass", bass), feel="two-feel", passes=24, tempo=120)
    events, light = list(track.events("bass")), ("ghost", "dead")
    assert {"dead"} < {e.touch for e, _ in events}
    soft = [loudness(n) for e, n in events if e.touch in light or e.level < 0]
    plain = [loudness(n) for e, n in track.events("bass") if e.touch == "normal" and e.level == 0]
    assert len(soft) > 10 and 4 <= mean(plain) - mean(soft) <= 14


@pytest.mark.parametrize(
    ("kind", "low", "high"),
    [("piano", 50, 74), ("electric piano", 50, 74), ("guitar", 50, 72), ("vibraphone", 53, 77)],
)
def test_where_chords_lie(kind: str, low: int, high: int) -> None:
    """From about D3 to about D5: under the tune and over the bass; neighbouring voices at most a
    major sixth apart, the whole at most a twelfth (common practice of close and drop voicings)."""
    reached: set[int] = set()
    for seed in range(3):
        score = written(seed=seed, key_cycle=["C", "F#", "A"], tempo=100,
                        band=only("comping", kind, bass="roots"))  # fmt: skip
        chords: dict[Any, list[int]] = {}
        for note in of(score, "comping").notes:
            chords.setdefault(note.start, []).append(note.pitch.midi)
        for keys in map(sorted, chords.values()):
            assert low <= keys[0] and keys[-1] <= high
            assert all(b - a <= 9 for a, b in pairwise(keys)) and keys[-1] - keys[0] <= 19
            reached |= set(keys)
    assert min(reached) <= low + 3 and max(reached) >= high - 6


@pytest.mark.parametrize(
    ("tempo", "density", "voices"),
    [(220, 0.5, 4), (221, 0.5, 3), (280, 0.5, 3), (281, 0.5, 2), (120, 0.2, 2), (120, 0.25, 4)],
)
def test_fast_chords_are_thin(tempo: int, density: float, voices: int) -> None:
    """Four voices up to 220, three up to 280, the guide tones above or where hardly anything is
    played (common practice)."""
    band = only("comping", {"kind": "piano", "density": density}, bass="roots")
    score = written(tempo=tempo, passes=4, band=band, progression="ii7 | V7 | Imaj7 | VI7")
    chords: dict[Any, int] = {}
    for note in of(score, "comping").notes:
        chords[note.start] = chords.get(note.start, 0) + 1
    assert max(chords.values()) == voices


@pytest.mark.parametrize("degrees", ["1 2 3 5", "1 3 5 7"])
def test_a_connected_figure_goes_on_where_it_was(degrees: str) -> None:
    """Within a key, named degrees begin in the octave that is nearest to the last note, where the
    range has room for it; the next key, which has the same line, begins at most an octave away
    (common practice: no leap for nothing)."""
    score = written(progression="ii7 | V7 | Imaj7 | VI7", key_cycle="fourths",
                    band={"drums": "off", "comping": "off"},
                    line={"kind": "scale pattern", "pattern": degrees, "note": "quarter",
                          "connect": True, "range": "E1 to G3"})  # fmt: skip
    by_bar: dict[int, list[int]] = {}
    for note in of(score, "line").notes:
        by_bar.setdefault(score.chart.bar_at(note.start).number, []).append(note.pitch.midi)
    assert len(by_bar) > 40
    for one, other in pairwise(sorted(by_bar)):
        before, now = by_bar[one], by_bar[other]
        if score.chart.bars[one].key != score.chart.bars[other].key:
            assert abs(now[0] - before[-1]) <= 12
            continue
        for shift in (-12, 12):
            if all(28 <= key + shift <= 55 for key in now):
                assert abs(now[0] - before[-1]) <= abs(now[0] + shift - before[-1])
