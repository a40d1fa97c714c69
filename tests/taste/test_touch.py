"""How strongly and how long notes are played: accents, ghosts, unevenness, lengths, the ring.

Decibels are those of velocities (SoundFont 2.04, 8.4.2): 40 log10 of their ratio.  Where drummers
were measured, "GM" is the Groove MIDI Dataset (CC BY 4.0; 6 to 8 jazz performances with a ride),
median and 10 to 90 % of tracks; other ranges are common practice, and wide enough for the
unevenness of a player in the mean of a track.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import groupby
from math import log10
from statistics import mean, pstdev
from typing import Any

import pytest

from drillgen.performance import perform
from drillgen.score import Hit, Note, PartName
from tests.band.playing import only
from tests.taste.heard import Heard, heard, loudness

BAND = {"drums": "sticks", "comping": "piano", "bass": "walking"}
CHORDS = only("comping", "piano", bass="roots")
RIDE = 51  # General MIDI percussion
RIDE_VARIES = 0.20  # GM: standard deviation of velocity in one place, share of the mean


def by_touch(track: Heard, part: Any) -> dict[str, list[float]]:
    """Loudness of a part's strokes by touch, their own level taken off."""
    found: dict[str, list[float]] = defaultdict(list)
    for event, note in track.events(part):
        found[event.touch].append(loudness(note) - event.level)
    return found


# GM: strokes on 2 and 4 are 1.22 (1.06 to 1.42) times as strong as those on 1 and 3.
TWO_AND_FOUR = [40 * log10(ratio) for ratio in (1.06, 1.22, 1.42)]


@pytest.mark.parametrize(
    ("touch", "least", "most"),
    [("accent", TWO_AND_FOUR[1] - 1.2, TWO_AND_FOUR[1] + 1.2), ("ghost", -9.5, -6.5)],
)
def test_accents_and_ghosts(touch: str, least: float, most: float) -> None:
    """An accent of the drums is as much louder than a plain stroke as measured drummers have 2 and
    4 over 1 and 3 (GM: 3.5 dB, 1.0 to 6.1; here at most 1.2 from the middle), which is heard and
    does not stick out; a ghosted one 6.5 to 9.5 softer, felt rather than heard."""
    busy = only("drums", {"kind": "sticks", "density": 1})
    found = by_touch(heard(band=busy, passes=24), "drums")
    assert len(found[touch]) > 12
    assert least <= mean(found[touch]) - mean(found["normal"]) <= most


@pytest.mark.parametrize(
    ("part", "drill"),
    [("bass", {"band": only("bass", "walking")}), ("line", {"line": "walking", "band": "off"})],
)
def test_the_backbeat_of_a_walking_bass(part: PartName, drill: dict[str, Any]) -> None:
    """2 and 4 are 0.7 to 1.3 dB louder than 1 and 3, also where it is the line to be learned."""
    by_beat: dict[int, list[float]] = defaultdict(list)
    for event, note in heard(**drill, passes=8, tempo=140).events(part):
        if event.start.denominator == 1 and event.duration == 1 and event.level == 0:
            by_beat[int(event.start) % 2].append(loudness(note))
    assert 0.7 <= mean(by_beat[1]) - mean(by_beat[0]) <= 1.3


def test_no_player_strikes_twice_alike() -> None:
    """Notes of a bass that nothing accents vary less than a drummer's ride does in one place (GM:
    standard deviation 0.20 of the mean), and more than a fifth of that: phrased, and none that
    sticks out."""
    track = heard(band=only("bass", "roots"), passes=12)
    found = [note.velocity for _, note in track.events("bass")]
    assert len(found) > 60 and RIDE_VARIES / 5 <= pstdev(found) / mean(found) <= RIDE_VARIES


def strokes(track: Heard) -> list[list[tuple[Note | Hit, float]]]:
    """The chords of the comping from low to high."""
    events = sorted(track.events("comping"), key=lambda each: each[0].start)
    groups = groupby(events, key=lambda each: each[0].start)
    return [sorted(((e, loudness(n)) for e, n in group), key=lambda each: each[0].pitch.midi)
            for _, group in groups]  # type: ignore[union-attr]  # fmt: skip


def test_the_highest_voice_is_heard_as_a_tune() -> None:
    """It is 0.7 to 1.3 dB louder than the voices under it."""
    chords = [chord for chord in strokes(heard(band=CHORDS, passes=12)) if len(chord) > 2]
    found = [chord[-1][1] - mean(level for _, level in chord[:-1]) for chord in chords]
    assert 0.7 <= mean(found) <= 1.3


def test_no_two_chords_are_struck_alike() -> None:
    """The comping's chords vary less than a drummer's ride does in one place (GM: standard
    deviation 0.20 of the mean), and more than a fifth of that: phrased, not jittered."""
    chords = [chord for chord in strokes(heard(band=CHORDS, passes=12)) if len(chord) > 2]
    found = [mean(10 ** (level / 40) for _, level in chord) for chord in chords]
    assert len(found) > 60 and RIDE_VARIES / 5 <= pstdev(found) / mean(found) <= RIDE_VARIES


def test_the_top_of_a_phrase_leads() -> None:
    """The highest note of a line's phrase is 1 to 1.8 dB louder than its others; phrases are apart
    by a silence of two beats."""
    track = heard(line={"kind": "phrases"}, gaps={"call": 2}, passes=24, progression="I7 | IV7",
                  band="off")  # fmt: skip
    calls: dict[int, list[tuple[int, float]]] = defaultdict(list)
    for event, note in track.events("line"):
        bar = track.score.chart.bar_at(event.start)
        calls[bar.number - bar.number % 2].append((note.pitch, loudness(note)))
    rises = []
    for notes in calls.values():
        height = max(pitch for pitch, _ in notes)
        first = next(i for i, (pitch, _) in enumerate(notes) if pitch == height)
        others = [level for i, (_, level) in enumerate(notes) if i != first]
        if len({pitch for pitch, _ in notes}) > 1:
            rises.append(notes[first][1] - mean(others))
    assert len(rises) > 15 and 1.0 <= mean(rises) <= 1.8


def shares(track: Heard, part: Any, touch: str = "") -> list[float]:
    """How much of its written length each note sounds, where the next leaves it alone; dead ones,
    which a damped string ends by itself, where they are asked for."""
    return [
        (note.end - note.start) / track.written_seconds(event)
        for event, note in track.events(part)
        if (event.touch == touch if touch else event.touch != "dead")
        and track.written_seconds(event) > 0.2
    ]


@pytest.mark.parametrize(
    ("part", "feel", "bass", "least", "most"),
    [
        ("bass", "swing", "walking", 0.90, 0.97),  # nearly legato
        ("line", "swing", "walking", 0.90, 0.98),
        ("bass", "two-feel", "two-beat", 0.80, 0.90),  # lifted
        ("bass", "ballad", "two-beat", 0.95, 0.99),  # sung
        ("bass", "bossa nova", "two-beat", 0.80, 0.90),
        ("bass", "samba", "two-beat", 0.70, 0.80),  # the surdo's place, short
        ("bass", "shuffle", "walking", 0.84, 0.92),
        ("line", "ballad", "two-beat", 0.96, 1.0),
        ("line", "samba", "two-beat", 0.86, 0.94),
        ("comping", "ballad", "two-beat", 0.95, 0.99),
    ],
)
def test_how_long_notes_are(part: str, feel: str, bass: str, least: float, most: float) -> None:
    """The share of its written length that a note sounds follows part and feel."""
    band = BAND | {"bass": bass, "drums": "off"}
    track = heard(feel=feel, band=band, line="roots", tempo=90, passes=2)
    touch = "held" if part == "comping" else ""
    found = shares(track, part, touch)
    assert found and least <= mean(found) <= most


@pytest.mark.parametrize(
    ("touch", "least", "most"), [("normal", 0.85, 0.95), ("short", 0.6, 0.8), ("held", 0.95, 0.99)]
)
def test_how_long_chords_are(touch: str, least: float, most: float) -> None:
    """A stab of the comping is clearly short, a held chord reaches to the next, others are nearly
    as long as written."""
    kind = "rhythm guitar" if touch == "normal" else "piano"
    track = heard(band=only("comping", kind), tempo=80, passes=8)
    found = shares(track, "comping", touch)
    assert found and least <= mean(found) <= most


def test_no_stroke_is_shorter_than_a_synthesiser_needs() -> None:
    """At 360 a drum's stroke is written shorter than 50 ms, and is held for 45 to 60."""
    track = heard(band=only("drums", "sticks"), tempo=360)
    ride = [note.end - note.start for note in track.part("drums").notes if note.pitch == RIDE]
    assert ride and 0.045 <= min(ride) <= 0.06


@pytest.mark.parametrize(("ending", "least", "most"), [("hold", 1.0, 2.0), ("none", 0.0, 0.01)])
def test_the_last_chord_rings(ending: str, least: float, most: float) -> None:
    """A track goes on for 1 to 2 seconds after its last bar, so that the chord dies away; a loop
    ends with its bar."""
    score = heard(ending=ending, band=BAND).score
    assert least <= perform(score).seconds - float(score.chart.seconds) <= most
