"""The staff as other programs read it: the W3C schema, and music21."""

from __future__ import annotations

import os
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from lxml import etree
from music21 import converter, key, note, stream

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.meter import METERS
from drillgen.drill.models import Drill
from drillgen.score import Score
from drillgen.sheet.musicxml import Heading, musicxml
from drillgen.sheet.staff import Measure, measures
from drillgen.sheet.values import pieces

SCHEMA = Path(
    os.environ.get("DRILLGEN_MUSICXML_XSD", Path(__file__).parents[3] / "shared" / "musicxml-4.0")
)


def written(**drill: Any) -> tuple[Score, tuple[Measure, ...], str]:
    """A score, the bars of its line, and their MusicXML."""
    drill.setdefault("progression", "ii7 | V7 | Imaj7 | VI7b9")
    read = Drill.model_validate({"key_cycle": "fourths", **drill})
    score = arrange(charts(read)[0])
    line = score.part("line")
    assert line is not None
    bars = [bar for bar in score.chart.bars if bar.form_bar >= 0]
    found = measures(score.chart, line.notes, bars, octaves=1)
    return score, found, musicxml(Heading("A line", "Double bass", octaves=1), found, read.meter)


class _Local(etree.Resolver):
    def resolve(self, url: str, public: str, context: Any) -> Any:
        return self.resolve_filename(str(SCHEMA / Path(url).name), context)


@pytest.mark.skipif(
    not SCHEMA.is_dir(),
    reason="the W3C schema is not here; set DRILLGEN_MUSICXML_XSD to a folder with musicxml.xsd",
)
@pytest.mark.parametrize(
    "drill",
    [
        {},
        {"line": {"kind": "arpeggio", "note": "triplet"}},
        {"line": {"kind": "arpeggio", "note": "eighth"}, "meter": "3/4"},
        {"line": {"kind": "walking"}, "meter": "5/4", "progression": "iiø7 | V7alt/3 | imaj7"},
        {"line": {"kind": "guide tones", "voices": "both"}, "progression": "C6/9 | N.C. | Dm7 G7"},
    ],
)
def test_valid_by_the_schema(drill: dict[str, Any]) -> None:
    """Every file is valid MusicXML 4.0 (W3C schema)."""
    parser = etree.XMLParser()
    parser.resolvers.add(_Local())
    schema = etree.XMLSchema(etree.parse(str(SCHEMA / "musicxml.xsd"), parser))
    schema.assertValid(etree.fromstring(written(**drill)[2].encode()))


@pytest.mark.parametrize("kind", ["guide tones", "arpeggio", "walking"])
def test_read_back_by_music21(kind: str) -> None:
    """music21 finds the score's notes, an octave above their sound before transposition, with
    their lengths, and each key's signature."""
    score, found, text = written(line=kind, key_cycle=["Gb", "B", "F#m"])
    read = converter.parse(text, format="musicxml")
    sounding = read.toSoundingPitch()
    line = score.part("line")
    assert line is not None
    heard = [
        (str(each.pitch).replace("-", "b"), Fraction(each.quarterLength))
        for each in sounding.stripTies().recurse().getElementsByClass(note.Note)
    ]
    assert heard == [(str(each.pitch), each.duration) for each in line.notes]
    signatures = [each.sharps for each in read.recurse().getElementsByClass(key.KeySignature)]
    assert signatures == [-6, 5, 3]
    assert len(list(read.recurse().getElementsByClass(stream.Measure))) == len(found)


@pytest.mark.parametrize("meter", ["4/4", "3/4", "2/4", "5/4", "6/8", "12/8"])
def test_values_add_up(meter: str) -> None:
    """Any length from any eighth of a bar is written in values that add up to it, none of which
    crosses the middle of a bar of four unless it begins the bar or is quarter-half-quarter
    (common practice)."""
    bar = METERS[meter].bar
    eighth = Fraction(1, 2)
    for start in range(int(bar / eighth)):
        for end in range(start + 1, int(bar / eighth) + 1):
            parts = list(pieces(start * eighth, (end - start) * eighth, METERS[meter]))
            assert sum(part.length for part in parts) == (end - start) * eighth
            assert parts[0].start == start * eighth
            for part in parts:
                crosses = meter == "4/4" and part.start < 2 < part.start + part.length
                assert not crosses or part.start in (0, 1)
