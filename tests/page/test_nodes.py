"""The gain of the page's band while a word is said."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from drillgen.sound.levels import COMES, GOES, STEP_BACK
from tests.page.pages import Made, View

if TYPE_CHECKING:
    from playwright.sync_api import Browser

# Keeps what is asked of the gain under which the band steps back.
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


def test_the_band_steps_back_on_the_page(browser: Browser, made: Made) -> None:
    """While a word is said the band's gain is what the mixes have; away from all words it is 1."""
    with View(browser, made.one_file.as_uri(), tapped=True) as view:
        view.page.evaluate(_LOW)
        view.page.select_option("#cues", "keys and turns")
        view.page.wait_for_function("location.hash.includes('cues=keys')")
        view.set(tempo=200, repeat=True)
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
