"""How far players vary, beside what was measured: "GM" is the Groove MIDI Dataset (CC BY 4.0;
medians of 6 to 8 jazz performances), "JTD" the Jazz Trio Database (MIT; 17 trio tracks)."""

from __future__ import annotations

from collections import defaultdict
from random import Random
from statistics import mean, pstdev
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from drillgen.drift import Drift
from drillgen.score import PartName, after
from drillgen.sound.mixer import fade
from drillgen.timing import late_beats, soloist_delay
from tests.band.playing import only
from tests.taste.heard import heard


@pytest.mark.parametrize(
    ("feel", "key", "measured"),
    [("swing", 51, 0.20), ("bossa nova", 42, 0.20), ("swing", 44, 0.23), ("bossa nova", 36, 0.25)],
)  # ride, closed hi-hat in the hand, foot hi-hat, bass drum: General MIDI percussion
def test_how_far_strokes_in_one_place_vary(feel: str, key: int, measured: float) -> None:
    """A hand or a foot strikes one place of the bar as unevenly as drummers do (GM: standard
    deviation over the mean of velocities), to two fifths: a track of a drummer's differs so."""
    found = []
    for seed in range(2):
        band = only("drums", {"kind": "sticks", "density": 0})
        track = heard(band=band, feel=feel, seed=seed, passes=6, tempo=130, ending="none")
        places: dict[tuple[object, str], list[int]] = defaultdict(list)
        for event, note in track.events("drums"):
            if note.pitch == key:
                bar = track.score.chart.bar_at(event.start)
                places[event.start - bar.start, event.touch].append(note.velocity)
        alike = [pstdev(each) / mean(each) for each in places.values() if len(each) > 15]
        found.append(mean(alike))
    assert mean(found) == pytest.approx(measured, rel=0.4)


def test_a_stroke_is_written_as_a_sixteenth() -> None:
    """Nothing holds a drum: a short note, a quarter of a beat where time is straight; only a cymbal
    of the ending is longer."""
    track = heard(band=only("drums", "sticks"), tempo=60, feel="straight eighths", ending="none")
    lengths = {round(n.end - n.start, 2) for n in track.part("drums").notes}
    assert lengths == {0.25}


@pytest.mark.parametrize(
    ("line", "late"),
    [("off", False), ("roots", False), ({"kind": "arpeggio", "note": "eighth"}, True)],
)
def test_only_a_line_of_eighths_lies_behind_the_beat(line: object, late: bool) -> None:
    """What was measured is soloists' eighths; a held note would only drag, and without a line
    nobody is late."""
    score = heard(line=line, band=only("drums", "sticks")).score
    assert bool(late_beats(score)) is late


@pytest.mark.parametrize("part", ["bass", "comping"])
def test_who_is_behind_the_drums_is_half_as_far_in_straight_time(part: PartName) -> None:
    """Of what was measured in swing (JTD) by the same player (common practice)."""
    swung, straight = (
        [Drift._place(_at(ratio), part, Random(seed)) for seed in range(20)] for ratio in (2.0, 1.0)
    )
    assert all(swung) and straight == pytest.approx([place / 2 for place in swung])


@pytest.mark.parametrize(("ratio", "wanders"), [(1.0, False), (1.4, True), (3.0, True)])
def test_whatever_swings_wanders(ratio: float, wanders: bool) -> None:
    """The second half of a beat goes as far as the ride does, however little it swings; a beat and
    its thirds stay, and so does straight time."""
    places = [Drift._swung(_at(ratio), "bass", 0, *place) for place in ((1, 2), (0, 2), (1, 3))]
    assert places == [5.0 * wanders, 0, 0]


def _at(ratio: float) -> Any:
    """A band at a ratio of swing, its ride 5 ms off."""
    return SimpleNamespace(_paces=[SimpleNamespace(ratio=ratio)], _ride=[5.0], _comping=[5.0])


@pytest.mark.parametrize("tempo", [180, 220, 240])
@pytest.mark.parametrize("ratio", [2.2, 3.0, 3.5])
def test_a_line_swings_no_more_than_triplets(tempo: int, ratio: float) -> None:
    """However far the drummer does, since soloists swing less (Friberg & Sundström 2002); or it is
    as late as it may be, 30 ms."""
    late, beat = soloist_delay(tempo, ratio), 60_000 / tempo
    short = beat / (ratio + 1)
    assert (beat - short - late) / (short + late) <= 2 + 1e-6 or late == 30


def test_every_bar_but_the_last_has_a_next() -> None:
    """Which begins where it ends."""
    chart = heard(band="off").score.chart
    follow = [after(chart, bar) for bar in chart.bars]
    assert follow[-1] is None and len(follow) > 4
    assert [bar.start for bar in follow if bar] == [bar.end for bar in chart.bars[:-1]]


@pytest.mark.parametrize("to_end", [100, 5000, 9999])
def test_a_track_fades_into_silence(to_end: int) -> None:
    """Never louder, and nothing after its end."""
    block = np.ones((2, 10_000), np.float32)
    fade(block, to_end)
    assert not block[:, to_end:].any() and (np.diff(block) <= 0).all()
    assert block[0, to_end - 1] < 0.01 < block[0, max(to_end - 400, 0)]
