"""How loud each part stands in the band and where: ranges of common practice for a band that a
student plays along with, read from the MIDI file by the curves of General MIDI 2 (3.3).
"""

from __future__ import annotations

from collections import defaultdict

import pytest
from quicktions import Fraction

from drillgen.arrange import _starting_note
from drillgen.performance import perform
from drillgen.score import Note, Part
from drillgen.theory.pitch import Pitch
from tests.band.playing import only
from tests.taste.heard import PAN, Heard, heard, loudness

BAND = {"drums": "sticks", "comping": "piano", "bass": "walking"}
HELD = {"kind": "roots"}
START = ((0, "C2"), (2, "E2"))


@pytest.mark.parametrize(
    ("part", "least", "most"),
    [("comping", -10, -6), ("bass", -5, -3), ("drums", -0.3, 0.3), ("line", -0.5, 0.5)],
)
def test_the_balance_of_the_band(part: str, least: float, most: float) -> None:
    """Against the drums the chords stand 6 to 10 dB back, the bass 3 to 5, and a held line stands
    level with them (common practice: who accompanies stays under the tune)."""
    track = heard(band=BAND, line=HELD)
    assert least <= track.volume(part) - track.volume("drums") <= most


@pytest.mark.parametrize(
    ("feel", "drums", "comping"), [("swing", -3, -3), ("ballad", -6, -2), ("samba", -2, -3)]
)
def test_how_loud_a_mix_asks_parts_to_be(feel: str, drums: float, comping: float) -> None:
    """Against the bass, as the head of `swing.yaml` explains it to who writes a feel: 3 LU less for
    drums and comping, where a feel has no other `balance`, and 2 more for a line."""
    band = BAND | {"bass": "roots"}
    voices = perform(heard(band=band, line=HELD, feel=feel).score).voices
    found = {voice.part: voice.loudness for voice in voices}
    against = [found[part] - found["bass"] for part in ("drums", "comping", "line")]
    assert against == [drums, comping, 2]


def test_an_electric_piano_is_held_back() -> None:
    """3 to 5 dB more than a piano: its sustained tone is louder at the same velocity (common
    practice in General MIDI soundfonts)."""
    piano, electric = (heard(band=only("comping", kind)) for kind in ("piano", "electric piano"))
    assert 3 <= piano.volume("comping") - electric.volume("comping") <= 5


@pytest.mark.parametrize(("note", "doublings"), [("quarter", 2), ("eighth", 3)])
def test_a_busy_line_is_taken_back(note: str, doublings: int) -> None:
    """For each doubling of its notes a beat over whole notes a line is played 1.2 to 1.8 dB softer,
    about half of what twice the energy would add (common practice)."""
    busy = heard(band=BAND, line={"kind": "arpeggio", "note": note})
    found = heard(band=BAND, line=HELD).volume("line") - busy.volume("line")
    assert 1.2 * doublings <= found <= 1.8 * doublings


@pytest.mark.parametrize(
    ("part", "least", "most"),
    [("drums", 0.05, 0.16), ("comping", -0.3, -0.2), ("bass", -0.01, 0.01), ("line", -0.01, 0.01)],
)
def test_where_the_band_stands(part: str, least: float, most: float) -> None:
    """The tune and the bass in the middle, the drums a little to the right, the chords a quarter of
    the way to the left (common practice)."""
    value = heard(band=BAND, line=HELD).controller(part, PAN)
    assert least <= (value - 64) / 63 <= most


@pytest.mark.parametrize(("pan", "value"), [(-1, 1), (-0.5, 32), (0, 64), (0.5, 96), (1, 127)])
def test_pan_is_the_controllers_scale(pan: float, value: int) -> None:
    """64 is the middle and 127 the right side (MIDI 1.0 controller 10; RP-036: 1 is the left one);
    a step may be rounded off."""
    band = only("drums", {"kind": "sticks", "pan": pan})
    assert abs(heard(band=band).controller("drums", PAN) - value) <= 1


@pytest.mark.parametrize("asked", [-12, -6, -3, 3])
@pytest.mark.parametrize("part", ["drums", "comping", "bass"])
def test_levels_are_decibels(part: str, asked: int) -> None:
    """A part's `level` changes its controller 7 by so many dB on the curve of General MIDI 2, to
    0.3 dB, the width of a step."""
    kind = {"drums": "sticks", "comping": "piano", "bass": "walking"}[part]
    plain, changed = (
        heard(band=only(part, {"kind": kind, "level": level}))
        for level in (0, asked)  # type: ignore[arg-type]
    )
    assert changed.volume(part) - plain.volume(part) == pytest.approx(asked, abs=0.3)


def test_a_click_stands_under_the_drums() -> None:
    """The count-in is 2 to 4 dB under the drummer's strokes, by the controller where the click has
    the channel alone and by velocity where the drums set it; the starting note 1 to 3 under a
    line."""
    alone = heard(band="off", count_in={"bars": 2, "sound": "click"})
    assert -4 <= alone.volume("click") <= -2
    beside = heard(band=only("drums", "sticks"), count_in={"bars": 2, "sound": "click"})
    pairs = zip(beside.part("click").notes, alone.part("click").notes, strict=True)
    softer = [loudness(shared) - loudness(own) for shared, own in pairs]
    assert all(-4 <= found <= -2 for found in softer)
    cue = heard(line=HELD, band="off", count_in={"bars": 2, "starting_note": True})
    assert -2.6 <= cue.volume("cue") <= -1.4


def test_a_click_throughout_is_softer_than_the_count() -> None:
    """By 5 to 7 dB: counting in must be heard, going on only be felt (common practice)."""
    track = heard(
        band={"drums": "off", "comping": "off", "click": "beats"},
        count_in={"bars": 2, "sound": "click"},
        passes=4,
    )
    low = [(event, note) for event, note in track.events("click") if note.pitch == 77]  # woodblock
    counted = [loudness(n) for e, n in low if track.score.chart.bar_at(e.start).form_bar < 0]
    going_on = [loudness(n) for e, n in low if track.score.chart.bar_at(e.start).form_bar >= 0]
    found = sum(counted) / len(counted) - sum(going_on) / len(going_on)
    assert 5 <= found <= 7


@pytest.mark.parametrize("level", [-12, -6])
def test_the_band_is_softer_under_a_response(level: int) -> None:
    """By the decibels asked for, part by part, to half a decibel on average."""
    band = only("bass", "walking")
    track = heard(band=band, line=HELD, gaps={"call": 4, "level": level}, passes=4)
    by_role: dict[str, list[float]] = {"call": [], "response": []}
    for event, note in track.events("bass"):
        role = track.score.chart.bar_at(event.start).role
        by_role.get(role, []).append(loudness(note))
    call, response = (sum(each) / len(each) for each in by_role.values())
    assert response - call == pytest.approx(level, abs=0.5)


@pytest.mark.parametrize("pan", [-0.5, 0.8])
def test_a_part_stands_where_it_is_asked_to(pan: float) -> None:
    """In the mixes as in the MIDI file; where nothing is asked for, drums and chords stand on
    different sides of the middle (common practice)."""
    usual, asked = (
        {voice.part: voice.stands for voice in perform(heard(band=band).score).voices}
        for band in (BAND, BAND | {"drums": {"kind": "sticks", "pan": pan}})
    )
    assert asked["drums"] == pan and usual["drums"] > 0 > usual["comping"] == asked["comping"]


@pytest.mark.parametrize(
    ("click", "meter", "beats"),
    [("beats", "4/4", {0, 1, 2, 3}), ("two and four", "4/4", {1, 3}), ("two and four", "2/4", {1})],
)
def test_where_a_click_is_heard(click: str, meter: str, beats: set[int]) -> None:
    """On every beat, or on 2 and 4 alone, as jazz students practise with a metronome (common
    practice)."""
    band = {"drums": "off", "comping": "off", "click": click}
    assert clicked(heard(band=band, meter=meter, ending="none")) == {"play": beats}


def clicked(track: Heard) -> dict[str, set[int]]:
    """On which beats of each role's bars, count-ins apart."""
    part, found = track.score.part("click"), defaultdict[str, set[int]](set)
    for hit in part.hits if part is not None else ():
        bar = track.score.chart.bar_at(hit.start)
        if bar.form_bar >= 0:
            found[bar.role].add(int(hit.start - bar.start))
    return found


@pytest.mark.parametrize(("drums", "found"), [("off", {"response": {0, 1, 2, 3}}), ("sticks", {})])
def test_time_is_kept_by_somebody(drums: str, found: dict[str, set[int]]) -> None:
    """Where the band is to keep time in the responses and has no drummer, a click does, there and
    nowhere else."""
    band = only("comping", "piano", drums=drums)
    assert clicked(heard(band=band, gaps={"call": 4, "band": "time"}, ending="none")) == found


@pytest.mark.parametrize(("bars", "strokes"), [(1, [4]), (2, [2, 4]), (4, [2, 2, 2, 4])])
def test_how_a_swing_is_counted_in(bars: int, strokes: list[int]) -> None:
    """In halves until the last bar, which is counted in quarters; each 1 by the higher sound, and
    no other beat (common practice: "one … two … one two three four")."""
    score = heard(band="off", count_in={"bars": bars, "sound": "click"}).score
    part = score.part("click")
    assert part is not None
    counted = [[h for h in part.hits if bar.start <= h.start < bar.end]
               for bar in score.chart.bars if bar.role == "count-in"]  # fmt: skip
    assert [len(hits) for hits in counted] == strokes
    assert {hits[0].key for hits in counted} == {76}  # General MIDI: Hi Wood Block, and 77 the low
    assert {hit.key for hits in counted for hit in hits[1:]} == {77}


def test_a_starting_note_is_the_first_that_comes() -> None:
    """Also where the line begins with the bar that it is heard in."""
    chart = heard(band="off").score.chart
    first, later = (Note(Fraction(at), Fraction(1), Pitch.parse(name)) for at, name in START)
    line = Part("line", "upright bass", (first, later))
    (cue,) = _starting_note(chart, line, chart.bars[0])
    assert cue.pitch == first.pitch and cue.duration == chart.bars[0].length - 1
