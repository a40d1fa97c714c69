"""What the page makes of the Web Audio API's nodes while it plays."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from drillgen.sound.levels import COMES, GOES, STEP_BACK
from tests.page.pages import Made, View

if TYPE_CHECKING:
    from playwright.sync_api import Browser

# Counts what is made, and keeps what is asked of the gain under which the band steps back.
_COUNT = """() => {
    window.made = { GainNode: 0, AudioBufferSourceNode: 0 };
    for (const name of Object.keys(made)) {
        const Own = window[name];
        window[name] = class extends Own {
            constructor(...options) { super(...options); made[name] += 1; }
        };
    }
}"""
_LOW = """() => {
    window.low = [];
    const { strike } = drillgen.Band.prototype;
    drillgen.Band.prototype.strike = function (name, number, when, ...rest) {
        const voice = strike.call(this, name, number, when, ...rest);
        if (name === "spoken") low.push({ start: voice.start, end: voice.end });
        return voice;
    };
    setInterval(() => {
        const now = drillgen.context?.currentTime;
        const duck = window.ducked;
        if (duck) (window.seen ??= []).push([now, duck.gain.value]);
    }, 5);
    const { connect } = drillgen.Band.prototype;
    drillgen.Band.prototype.connect = function (context) {
        connect.call(this, context);
        window.ducked = this.duck.input;
    };
}"""


@pytest.fixture
def counted(browser: Browser, made: Made) -> Iterator[View]:
    """A page whose nodes are counted."""
    with View(browser, "about:blank", tapped=True, wait=False) as view:
        view.page.add_init_script(f"({_COUNT})()")
        view.page.goto(made.index.as_uri())
        view.until("place", "Bar 1 of")
        yield view


def test_gains_are_used_again(counted: View) -> None:
    """While two bars go round, each stroke has a source of its own (the standard's sources play
    once), and no more gains than sound at the same time: after some rounds none is made anew."""
    counted.set(from_=1, to=2, tempo=360, repeat=True, count_in=False)
    counted.play()
    counted.page.wait_for_function("made.AudioBufferSourceNode > 90", timeout=60_000)
    gains = counted.page.evaluate("made.GainNode")
    sources = counted.page.evaluate("made.AudioBufferSourceNode")
    counted.page.wait_for_function(f"made.AudioBufferSourceNode > {sources + 100}", timeout=60_000)
    assert counted.page.evaluate("made.GainNode") - gains < 20


def test_the_band_steps_back_on_the_page(browser: Browser, made: Made) -> None:
    """While a word is said the band's gain is what the mixes have; away from all words it is 1."""
    with View(browser, made.one_file.as_uri(), tapped=True) as view:
        view.page.evaluate(_LOW)
        view.page.select_option("#cues", "keys and turns")
        view.page.wait_for_function("location.hash.includes('cues=keys')")
        view.set(tempo=120, repeat=True)
        view.play()
        view.page.wait_for_function(
            "low.length > 3 && drillgen.context.currentTime > low[3].end + 0.6", timeout=60_000
        )
        said = view.page.evaluate("low")
        seen = view.page.evaluate("seen")
    floor = 10 ** (-STEP_BACK / 20)
    spans = [(each["start"], each["end"]) for each in said]
    under = [gain for at, gain in seen if any(a + 0.03 < at < b - 0.03 for a, b in spans)]
    assert under and max(under) == pytest.approx(floor, abs=0.01)
    away = [
        gain
        for at, gain in seen
        if at < spans[3][1] and not any(a - COMES - 0.05 < at < b + GOES + 0.05 for a, b in spans)
    ]
    assert away and (sum(gain > 0.99 for gain in away) > 0.9 * len(away))
