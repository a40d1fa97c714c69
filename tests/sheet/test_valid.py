"""Every sheet is valid MusicXML 4.0 (W3C)."""

from __future__ import annotations

import re
from typing import Any

import pytest
from lxml import etree

from tests.composed import NAMES, engraved
from tests.sheet.schema import assert_valid
from tests.sheet.written import sheets_of

FORMS = {"A": "Dm7 | G7 | Cmaj7 | %", "B": "Fm7 | Bb7 | Ebmaj7 | A7b9", "form": "A B A"}


@pytest.mark.parametrize("name", NAMES)
def test_presets(name: str) -> None:
    """Each drill's sheets, with their answers."""
    for drill in engraved(name, 1):
        for sheet in drill.all:
            assert_valid(sheet.musicxml)


@pytest.mark.parametrize(
    "drill",
    [
        {"line": {"kind": "arpeggio", "note": "triplet"}, "sheet": {"show": "line"}},
        {"line": {"kind": "arpeggio", "note": "eighth"}, "meter": "3/4", "sheet": "chords"},
        {"line": "walking", "meter": "5/4", "progression": "iiø7 | V7alt/3 | imaj7"},
        {"line": {"kind": "guide tones", "voices": "both"}, "progression": "C6/9 | N.C. | Dm7 G7"},
        {"progression": FORMS, "line": "walking", "gaps": "off", "ending": "tag", "passes": 2},
        {"line": "phrases", "sheet": {"responses": "empty", "also_for": ["Bb", "alto clef"]}},
        {"line": "roots", "feel": "slow 12/8", "tempo": {"from": 40, "to": 60, "step": 4}},
        {"line": "arpeggio", "sheet": {"fingering": {"solutions": "two"}}},
        {"line": {"kind": "roots", "instrument": "electric"}, "sheet": {"tablature": True}},
        {"line": "roots", "tracks": "per key", "tempo": [60, 72], "ending": "none"},
        {
            "progression": FORMS | {"coda": "Dm7 | G7"},
            "sheet": "chords",
            "gaps": "off",
            "passes": 2,
        },
        {"line": "off", "band": {"bass": "walking"}, "passes": 3},
    ],
)
def test_whatever_is_asked_for(drill: dict[str, Any]) -> None:
    """Every way of printing, each key by itself and all keys in one file."""
    _, found = sheets_of(**{"key_cycle": ["Gb", "B", "F#m"], **drill})
    for sheet in found.all:
        assert_valid(sheet.musicxml)
        assert_valid(sheet.sections[-1].musicxml)


@pytest.mark.parametrize(
    ("pattern", "instead"),
    [
        ("<type>whole</type>", "<type>hole</type>"),  # a value that there is not
        ("<duration>", "<type>whole</type><duration>"),  # order
        (r"<duration>\d+</duration>", ""),  # what must be there
        ("<voice>1</voice>", "<part-voice>1</part-voice>"),  # an element that there is not
        ("<measure ", '<measure width-in-bars="1" '),  # an attribute that there is not
    ],
)
def test_the_check_can_fail(pattern: str, instead: str) -> None:
    """What is wrong is refused."""
    _, found = sheets_of(key_cycle="C", line="roots", sheet={"show": "line"}, feel="bossa nova")
    right = found.handout.sections[0].musicxml
    assert_valid(right)
    with pytest.raises(etree.DocumentInvalid):
        assert_valid(re.sub(pattern, instead, right, count=1))
