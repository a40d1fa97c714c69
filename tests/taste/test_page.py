"""What the page is told of a drill, without a browser."""

from __future__ import annotations

from base64 import b64decode
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.reader import drill_of
from drillgen.page import Stand, Take, html, tones, values
from drillgen.performance import perform
from drillgen.sound.reverb import response


def stand(**drill: Any) -> Stand:
    """A drill's tracks, as the page takes them."""
    usual = {"progression": "ii7 | V7 | I6 | %", "key_cycle": "C", "line": "roots", "gaps": "none"}
    scores = [arrange(chart) for chart in charts(drill_of(usual | drill))]
    takes = tuple(Take(score.chart, score, perform(score)) for score in scores)
    return Stand("x", takes[0].chart.keys, takes)


@pytest.mark.parametrize(("asked", "pan"), [({}, 0), ({"pan": -0.5}, -0.5), ({"pan": 1}, 1)])
def test_a_voice_speaks_from_the_middle(asked: dict[str, float], pan: float) -> None:
    """Where nothing else is asked for."""
    one = stand(band={"drums": "off", "spoken": {"kind": "keys"} | asked})
    parts = values.drill_values(one, [[]], values.Sounds({}, 0.0), [])["parts"]
    assert {part["name"]: part["pan"] for part in parts}["spoken"] == pan


@pytest.mark.parametrize(("passes", "said"), [(1, "C major"), (2, "C major · 2 passes")])
def test_the_head_of_a_page_says_how_often(passes: int, said: str) -> None:
    """A drill goes round, where it does so more than once."""
    head = values.drill_values(stand(passes=passes), [[]], values.Sounds({}, 0.0), [])["facts"]
    assert head == f"Swing · 4/4 · {said}"


@pytest.mark.parametrize(("gaps", "count"), [("none", 0), ({"call": 2, "response": 2}, 2)])
def test_who_plays_along_is_not_judged(gaps: Any, count: int) -> None:
    """The responses of both calls are asked for, and nothing where there are none."""
    assert len(values.asked(stand(gaps=gaps).takes[0])) == count


def test_each_tempo_may_be_slowed_to_the_next_one() -> None:
    """Of 100, 120 and 140 the faster ones as far as their slower neighbour, since from there on
    that one sounds better; the slowest one further."""
    slowed = list(html._slowed(stand(tempo=[100, 120, 140])))
    assert slowed[1:] == [pytest.approx(120 / 100), pytest.approx(140 / 120)]
    assert slowed[0] > 1.2


@pytest.mark.parametrize("seconds", [0.1, 0.3, 0.6, 1.1, 2.5, 5.0])
def test_a_copy_of_a_note_is_hardly_longer_than_it_sounds(seconds: float) -> None:
    """At most twice as long, or half a second: a pack is handed out, and the page loaded."""
    hold = round(seconds * tones.RATE)
    stroke: Any = SimpleNamespace(hold=hold)
    count = tones._count(stroke, -1e9, 1.0)
    assert hold <= count <= max(2 * hold, tones.RATE / 2)


def test_peaks_are_limited_by_what_an_ear_forgives(monkeypatch: pytest.MonkeyPatch) -> None:
    """Clicks far louder than their loudness asks for are turned up until a limiter takes 3 to 8 dB
    from them, and no further: more is heard as pumping (common practice)."""
    clicks = np.zeros((2, 2 * tones.RATE), np.float32)
    clicks[:, :: tones.RATE // 2] = 1.0
    monkeypatch.setattr(tones, "_placed", lambda *_: [])
    monkeypatch.setattr(tones, "mixed", lambda *_: iter([clicks]))
    player: Any = SimpleNamespace(voice=SimpleNamespace(part="drums"))
    bank: Any = None
    gain = tones.gain([player], {}, bank, clicks.shape[1])
    assert 3 <= gain - 20 * np.log10(tones._CEILING) <= 8


def test_the_page_has_the_room_of_the_mixes() -> None:
    """As 16-bit numbers, little-endian, left before right; none where it is off."""
    assert tones.impulse("off") is None
    room, heard = tones.impulse("small"), response("small")
    assert room is not None and room["taps"] == heard.shape[1]
    words = np.frombuffer(b64decode(room["words"]), "<i2").reshape(heard.shape)
    step = room["peak"] / 32767
    assert words * step == pytest.approx(heard, abs=0.51 * step)
