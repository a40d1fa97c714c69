"""The presets: each is a drill that a teacher can hand out in every one of its keys."""

from __future__ import annotations

import re

import pretty_midi
import pytest

from drillgen.chart import sounding
from drillgen.drill.instruments import INSTRUMENTS
from drillgen.drill.lesson import load, read_drill
from drillgen.drill.presets import SCHEMA, list_presets, preset_path, presets_folder
from drillgen.drill.problems import DrillError
from drillgen.drill.schema import as_text

PRESETS = list_presets()


@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_every_preset_is_a_drill_with_a_sentence_for_the_student(preset):
    """It loads by name, has a title and a note of its own, and stands in a group."""
    lesson = load(preset.name)
    assert lesson.title == preset.title != preset.name
    assert preset.group
    assert all(drill.note.endswith((".", "?")) for drill in lesson.drills)


@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_every_preset_is_readable_in_every_key(preset):
    """No chord of any key needs more than double accidentals, and few need those (readability)."""
    for drill in load(preset.name).drills:
        for key in drill.key_cycle:
            for bar in drill.progression.bars:
                for slot in bar.slots:
                    chord = sounding(slot, drill.key, key)
                    assert chord is None or all(abs(name.alter) <= 2 for name in chord.names)


def test_there_are_presets_enough_and_their_names_are_unique():
    """At least fourteen, in groups, each name once; names can be typed."""
    names = [preset.name for preset in PRESETS]
    assert len(names) == len(set(names)) >= 14
    assert len({preset.group for preset in PRESETS}) >= 4
    assert all(re.fullmatch(r"[a-z0-9-]+", name) for name in names)
    titles = [preset.title for preset in PRESETS]
    assert len(titles) == len(set(titles))


def test_the_first_preset_is_the_one_that_the_demonstration_plays():
    """Six keys down by whole steps at 72, four bars of call and of response, brushes and piano."""
    drill = read_drill("first-two-fives")
    assert [key.short for key in drill.key_cycle] == ["C", "Bb", "Ab", "Gb", "E", "D"]
    assert [str(tempo) for tempo in drill.tempos] == ["72"]
    assert (drill.gaps.call, drill.gaps.response) == (4, 4)
    assert [part.kind for _, part in drill.band] == ["brushes", "piano", "roots", "off"]


def test_an_unknown_preset_gets_the_nearest_name():
    """A slip of the pen is answered with the preset that was meant."""
    with pytest.raises(DrillError, match='did you mean "blues-walking"'):
        preset_path("blues-waking")
    with pytest.raises(DrillError, match=r"^frist-two-fives: there is no preset or file"):
        load("frist-two-fives")


@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_every_preset_names_the_schema_that_lies_beside_it(preset):
    """The first line points an editor to the schema file, which is up to date."""
    first = preset.path.read_text("utf-8").split("\n")[0]
    found = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", first)
    assert found
    assert (preset.path.parent / found[1]).resolve() == (presets_folder() / SCHEMA).resolve()


def test_the_schema_file_is_current():
    """`drillgen schema > presets/drill.schema.json` would change nothing."""
    assert (presets_folder() / SCHEMA).read_text("utf-8") == as_text()


def test_instruments_have_their_general_midi_programs():
    """Program numbers against pretty_midi's table of General MIDI names (PyPI)."""
    words = {
        "upright": "Acoustic Bass",
        "electric": "Electric Bass (finger)",
        "piano": "Acoustic Grand Piano",
        "electric piano": "Electric Piano 1",
        "guitar": "Electric Guitar (jazz)",
        "voice": "Choir Aahs",
        "alto saxophone": "Alto Sax",
        "tenor saxophone": "Tenor Sax",
    }
    for name, instrument in INSTRUMENTS.items():
        program = pretty_midi.program_to_instrument_name(instrument.program)
        assert program == words.get(name, name.capitalize())
        assert instrument.high.midi - instrument.low.midi >= 19  # an octave and a fifth at least
