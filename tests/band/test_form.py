"""The form as drummers mark it, read by pretty_midi from MIDI files.

The order of crash, fills and accents is common practice; keys are General MIDI Level 1 (RP-003).
"""

from __future__ import annotations

from collections import defaultdict
from io import BytesIO
from typing import Any

import pretty_midi
import pytest

from drillgen.midi import midi_files
from drillgen.performance import perform
from tests.band.playing import written

BAND = {"drums": {"kind": "sticks", "density": 0}, "comping": "piano", "bass": "walking"}
PLAIN = {"tempo": 300, "timing": "exact", "swing": 1, "count_in": 2, "band": BAND, "ending": "hold"}
FORMS: dict[str, dict[str, Any]] = {
    "Two sections": {
        "progression": {
            "A": "I6 vi7 | ii7 V7 | iii7 VI7 | ii7 V7",
            "B": "III7 | % | VI7 | V7",
            "form": "A A B A",
        },
        "passes": 2,
    },
    "One bar": {"progression": "ii7 V7", "passes": 24},
    "In three": {
        "meter": "3/4",
        "progression": "ii7 V7 | Imaj7 vi7 | iii7 VI7 | Imaj7",
        "passes": 2,
    },
}
CRASH, BELL, PEDAL_HAT, BASS_DRUM = 49, 53, 44, 36
FILLED = {38, 45, 48}  # snare and toms: at density 0 they are played in fills only


@pytest.fixture(scope="module")
def files() -> dict[str, pretty_midi.PrettyMIDI]:
    """By title, the drill's MIDI file."""
    played = {title: perform(written(**PLAIN, **form)) for title, form in FORMS.items()}
    files = {title: BytesIO(midi_files(each, title, [()])[0]) for title, each in played.items()}
    return {title: pretty_midi.PrettyMIDI(file) for title, file in files.items()}


def places(midi: pretty_midi.PrettyMIDI, keys: set[int], beats: int = 4) -> dict[int, set[float]]:
    """By bar of the form, the beats (from 0) on which any of some percussion keys is struck."""
    found: dict[int, set[float]] = defaultdict(set)
    for part in midi.instruments:
        for note in part.notes if part.is_drum else ():
            if note.pitch in keys:
                beat = round(note.start / 0.2 * 4) / 4 - 2 * beats  # at 300 a beat lasts 0.2 s
                found[int(beat // beats)].add(beat % beats)
    return found


def test_the_form_begins_with_a_crash_and_a_section_with_the_bell(files) -> None:
    """Of A A B A twice through: a crash at the two tops (and under the held chord), the bell of the
    ride on the first beat of every other section, and neither anywhere else, but that a set-up may
    push into a section with a crash on the & of 4."""
    crashes, bells = (places(files["Two sections"], {key}) for key in (CRASH, BELL))
    assert {bar for bar, at in crashes.items() if 0 in at and bar < 33} == {0, 16, 32}
    pushed = {bar for bar, at in crashes.items() if bar < 32 and at - {0}}
    assert pushed <= {3, 7, 11, 19, 23, 27} and all(crashes[bar] <= {3.5} for bar in pushed)
    assert bells == {bar: {0} for bar in (4, 8, 12, 20, 24, 28)}


def test_fills_lead_into_form_and_sections(files) -> None:
    """Snare and toms (no comments at density 0) sound in the last bar of a section only, always
    before the top of the form and the ending; the hi-hat goes on by foot under them."""
    midi = files["Two sections"]
    filled = {bar for bar in places(midi, FILLED) if bar < 32}
    assert {15, 31} <= filled <= {3, 7, 11, 15, 19, 23, 27, 31}
    hats = places(midi, {PEDAL_HAT})
    assert all({1, 3} <= hats[bar] for bar in range(32))


def test_a_form_of_one_bar_is_played_in_phrases(files) -> None:
    """A bar repeated 24 times has no crash and no fill in every bar: crashes stand eight bars or
    more apart, and fewer than one bar in three is filled."""
    midi = files["One bar"]
    crashes = [bar for bar, at in sorted(places(midi, {CRASH}).items()) if bar < 24 and 0 in at]
    assert crashes == [0, 8, 16]
    assert len(places(midi, FILLED)) < 24 / 3


def test_two_chords_in_three_are_walked_in_dotted_quarters(files) -> None:
    """Two chords that share a bar of 3/4 have a bass note each, on 1 and the & of 2, held to the
    next; a chord alone in its bar has one on every beat (common practice)."""
    bass = next(part for part in files["In three"].instruments if part.name == "bass")
    starts = [round(note.start / 0.2 * 4) / 4 - 6 for note in bass.notes]
    lengths = [round((note.end - note.start) / 0.2, 2) for note in bass.notes]
    by_bar = defaultdict(list)
    for start, length in zip(starts, lengths, strict=True):
        by_bar[int(start // 3)].append((start % 3, length))
    for bar in range(8):
        notes = by_bar[bar]
        assert [start for start, _ in notes] == ([0, 1, 2] if bar % 4 == 3 else [0, 1.5])
        assert all(length > (0.9 if bar % 4 == 3 else 1.3) for _, length in notes)


def test_fast_time_is_feathered_now_and_then(files) -> None:
    """At 300 the bass drum is feathered in some phrases only, on 1 and 3 (common practice); outside
    of those it sounds in fills and under the held chord."""
    midi = files["Two sections"]
    struck, filled = places(midi, {BASS_DRUM}), places(midi, FILLED)
    plain = [bar for bar in range(32) if bar not in filled]
    assert all(struck[bar] <= {0, 2} for bar in plain)
    assert 0 < sum(bool(struck[bar]) for bar in plain) < len(plain)
