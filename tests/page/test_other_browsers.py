"""The page in a second and a third browser: Firefox and a WebKit, from disk and over HTTP."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.page.answers import as_asked, asked_of, plucked, written
from tests.page.listening import TAP, wrong_marks
from tests.page.pages import RATE, Made, View

others = pytest.importorskip("tests.page.other_browsers", reason="websockets is not installed")
if TYPE_CHECKING:
    from playwright.sync_api import Browser

    from tests.page.other_browsers import OtherBrowser


@pytest.fixture(scope="module", params=["firefox", "webkit"])
def second(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[OtherBrowser]:
    """One browser for all of these tests.  Firefox is fetched by tools/fetch_browser.sh; the WebKit
    is Debian's, where webkit2gtk-driver, xvfb and pulseaudio are installed."""
    try:
        with getattr(others, request.param)(tmp_path_factory.mktemp("browser")) as browser:
            yield browser
    except FileNotFoundError as error:
        pytest.skip(str(error))


@pytest.fixture
def heard(second: OtherBrowser, made: Made) -> Iterator[OtherBrowser]:
    """The page, listened in on, which its security policy would not let: a copy without it."""
    text = made.one_file.read_text("utf-8")
    start = text.index("<meta http-equiv=")
    end = text.index(">", start) + 1
    copy = made.index.with_name("heard.html")
    copy.write_text(f"{text[:start]}<script>{TAP}</script>{text[end:]}", "utf-8")
    second.open(copy.as_uri())
    second.until("place", "^Bar 1 of")
    yield second
    copy.unlink()


@pytest.mark.parametrize("place", ["disk", "web"])
def test_it_plays(second: OtherBrowser, made: Made, served: str, place: str) -> None:
    """From disk and over HTTP it opens and plays under its security policy, goes on to the second
    bar and to the other drill, without an error."""
    second.open(made.index.as_uri() if place == "disk" else served)
    second.until("place", "^Bar 1 of")
    second.set(tempo=300)
    second.play()
    second.until("word", "^Listen$")
    second.until("place", "^Bar 2 of")
    second.set(drill="1")
    second.until("title", "^By ear")
    assert second.problems() == []


def test_a_recording_is_judged_alike(
    second: OtherBrowser, browser: Browser, asking: Made, tmp_path: Path
) -> None:
    """Of one recording with notes left out, wrong, sharp, early and late, chosen as a file on a
    page from disk, this browser's verdicts are Chromium's, note by note."""
    random, responses = Random(3), asked_of(asking.takes[0][0])
    notes = as_asked(responses[: len(responses) // 2])
    played = [
        (start + late, end + late, pitch + random.choice([0, 0, 0, 2, -1, 0.4]))
        for start, end, pitch in notes
        if random.random() < 0.9
        for late in [random.choice([-0.11, 0, 0, 0, 0.11])]
    ]
    file = written(tmp_path / "a.wav", plucked(played, notes[-1][1] + 1))
    with View(browser, asking.one_file.as_uri()) as view:
        view.page.set_input_files("#recording", file)
        view.until("listening", "heard at")
        wanted = view.page.evaluate(_SIGNS)
    assert len(wanted) == len(notes) and {*"●✕▲◀▶○"} <= {*wanted}
    second.open(asking.one_file.as_uri())
    second.until("place", "^Bar 1 of")
    second.hand("#recording", file)
    second.until("listening", "heard at")
    assert second.evaluate(f"({_SIGNS})()") == wanted
    assert second.problems() == []


_SIGNS = """() => [...document.querySelectorAll("#judged .marks [aria-hidden]")]
    .map(mark => mark.textContent[0])"""


def test_it_keeps_time(heard: OtherBrowser) -> None:
    """The mark moves to a bar within 60 ms of its sound by the audio clock, the browser's own
    delays apart; and two bars at 360 repeat every 4/3 s to the sample: each round is the former
    one again."""
    heard.set(tempo=320, count_in=False)
    heard.wake()
    heard.evaluate("heard.pulse()")
    begun = heard.begin()
    heard.until("place", "^Bar ([6-9]|1.) of")
    marks, turns = heard.evaluate("[heard.marks, heard.turns]")
    assert wrong_marks(marks, turns, lambda bar: begun + (bar - 1) * 240 / 320, 0.06) == []
    heard.click("#play")
    heard.set(from_=1, to=2, tempo=360, repeat=True)
    heard.evaluate("heard.listen()")
    heard.begin()
    heard.hear(4.6)
    mix = heard.recorded()[0, RATE // 2 :]
    period = round(heard.evaluate("drillgen.context.sampleRate") * 4 / 3)
    one, two = mix[period : 2 * period], mix[2 * period : 3 * period]
    assert np.abs(one).max() > 0.01
    assert np.corrcoef(one, two)[0, 1] > 0.999
