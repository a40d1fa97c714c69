"""Tables of standards, and what is read by them."""

from __future__ import annotations

import re
from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import verovio

from drillgen.audio.mp3 import _header
from drillgen.drill.score_file import KINDS, _degrees
from drillgen.midi import _message
from drillgen.sheet.placing import CLEFS, HEADS
from drillgen.take.asked import second
from drillgen.take.listen import _dips

# Layer III, kbit/s by index: ISO/IEC 11172-3, 2.4.2.3 and ISO/IEC 13818-3, 2.4.2.3 (from memory).
FIRST = (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
SECOND = (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)


@pytest.mark.parametrize(
    ("version", "rates", "hertz", "samples", "side"),
    [(0xFB, FIRST, 44_100, 1152, (32, 17)), (0xF3, SECOND, 22_050, 576, (17, 9))],
)
def test_a_frame_of_mp3_is_as_long_as_its_bit_rate(
    version: int, rates: tuple[int, ...], hertz: int, samples: int, side: tuple[int, int]
) -> None:
    """Bytes: its samples' share of a second, without padding; behind its header stands what stereo
    and mono need (2.4.1.7: side information)."""
    for index, kbits in enumerate(rates, 1):
        stereo, mono = (_header(bytes([0xFF, version, index << 4, mode << 6])) for mode in (0, 3))
        assert (stereo.rate, stereo.samples) == (hertz, samples)
        assert stereo.size == mono.size == samples * kbits * 1000 // 8 // hertz
        assert (stereo.side_info, mono.side_info) == side


def test_the_first_deep_dip_is_the_period() -> None:
    """Of a normalised difference (de Cheveigné & Kawahara, JASA 111:1917, 2002, step 4): not a
    deeper one at twice the lag; where none is deep, the deepest."""
    deep = [1, 0.9, 0.6, 0.05, 0.6, 0.9, 0.6, 0.01, 0.6, 0.9]
    flat = [1, 0.9, 0.8, 0.5, 0.8, 0.9, 0.8, 0.4, 0.8, 0.9]
    assert list(_dips(np.array([deep, flat]), 1, 0.1)) == [3, 7]


@pytest.mark.parametrize(
    ("value", "known"), [("", False), ("0", False), ("9", True), ("14", False)]
)
def test_a_degree_of_a_chord_has_a_number(value: str, known: bool) -> None:
    """1 to 13 (MusicXML 4.0, `degree-value` is required); one without is refused."""
    number = f"<degree-value>{value}</degree-value>" if value else ""
    text = f"<harmony><degree>{number}<degree-alter>0</degree-alter></degree></harmony>"
    measure: Any = SimpleNamespace(refuse=lambda *_: ValueError("refused"))
    kind = next(name for name in KINDS if re.fullmatch("dominant", str(name)))
    try:
        assert len(_degrees(ET.fromstring(text), kind, measure)) == 5 and known
    except ValueError:
        assert not known


@pytest.mark.parametrize(
    ("text", "seconds"), [("65.5", 65.5), ("1:05", 65), ("0:30.25", 30.25), ("-2", -2)]
)
def test_minutes_and_seconds(text: str, seconds: float) -> None:
    """As a person writes a place in a recording (SI Brochure, table 8)."""
    assert second(text) == seconds


def test_clefs_and_heads_are_as_large_as_the_font_has_them() -> None:
    """How wide heads are and how far clefs reach up, in thousandths of the size of 720 that verovio
    draws Bravura at: by the font's own boxes, which verovio carries."""
    boxes = ET.parse(Path(verovio.__file__).parent / "data" / "Bravura.xml").iter("g")
    glyphs = {glyph.attrib["c"]: glyph.attrib for glyph in boxes}
    tops = {code: float(glyphs[code]["y"]) + float(glyphs[code]["h"]) for code in CLEFS}
    assert {code: top * 0.72 for code, top in tops.items()} == pytest.approx(CLEFS)
    assert {code: float(glyphs[code]["w"]) * 0.72 for code in HEADS} == pytest.approx(HEADS)


@pytest.mark.parametrize(("key", "there_is"), [(-1, 0), (0, 1), (127, 1), (128, 0)])
def test_midi_has_128_keys(key: int, there_is: int) -> None:
    """From 0 on (MIDI 1.0, note on: seven bits)."""
    with nullcontext() if there_is else pytest.raises(ValueError, match=r"0\.\.127"):
        assert _message("note_on", 0, note=key, velocity=100)[1] == key
