"""The page in a second browser: Firefox, from disk and over HTTP."""

from __future__ import annotations

import base64
import time
from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.page.pages import RATE, TAP, Made

firefox_module = pytest.importorskip("tests.page.firefox", reason="websockets is not installed")


@pytest.fixture(scope="module")
def firefox(tmp_path_factory: pytest.TempPathFactory) -> Iterator[firefox_module.Firefox]:
    """One browser for all of these tests."""
    try:
        with firefox_module.firefox(tmp_path_factory.mktemp("firefox")) as browser:
            yield browser
    except FileNotFoundError as error:
        pytest.skip(str(error))


@pytest.fixture
def heard(firefox: firefox_module.Firefox, made: Made) -> Iterator[firefox_module.Firefox]:
    """The page, listened in on, which its security policy would not let: a copy without it."""
    text = made.index.read_text("utf-8")
    start = text.index("<meta http-equiv=")
    copy = made.index.with_name("heard.html")
    copy.write_text(text[:start] + text[text.index(">", start) + 1 :], "utf-8")
    with firefox.before(TAP):
        firefox.open(copy.as_uri())
        firefox.until("place", "^Bar 1 of")
        yield firefox
    copy.unlink()


def recorded(page: firefox_module.Firefox) -> NDArray[np.float32]:
    """As `View.recorded`."""
    channels = int(page.evaluate("heard.blocks[0].length"))
    data = base64.b64decode(page.evaluate("heard.take()"))
    return np.frombuffer(data, "<f4").reshape(channels, -1)


def record(page: firefox_module.Firefox) -> None:
    """As `View.record`."""
    page.click("#play")
    page.until("word", "^(?!Ready|Paused|Loading)")
    page.click("#play")
    page.evaluate("heard.listen()")
    page.evaluate("heard.blocks.length = heard.starts.length = heard.marks.length = 0")


@pytest.mark.parametrize("place", ["disk", "web"])
def test_it_plays(firefox: firefox_module.Firefox, made: Made, served: str, place: str) -> None:
    """From disk and over HTTP it opens and plays under its security policy, goes on to the second
    bar and to the other drill, without an error."""
    firefox.problems.clear()
    firefox.open(made.index.as_uri() if place == "disk" else served)
    firefox.until("place", "^Bar 1 of")
    firefox.set(tempo=300)
    firefox.click("#play")
    firefox.until("word", "^Listen$")
    firefox.until("place", "^Bar 2 of")
    firefox.choose("drill", "1")
    firefox.until("title", "^By ear")
    assert firefox.problems == []


def test_repeated_bars_have_no_seam(heard: firefox_module.Firefox) -> None:
    """Two bars at 360 repeat every 4/3 s to the sample: each round is the former one again."""
    heard.set(from_=1, to=2, tempo=360, repeat=True, count_in=False)
    record(heard)
    heard.click("#play")
    time.sleep(4.6)
    mix = recorded(heard)[0, RATE // 2 :]
    rate = heard.evaluate("drillgen.context.sampleRate")
    period = round(rate * 4 / 3)
    one, two = mix[period : 2 * period], mix[2 * period : 3 * period]
    assert np.abs(one).max() > 0.01
    assert np.corrcoef(one, two)[0, 1] > 0.999


def test_marks_follow_the_sound(heard: firefox_module.Firefox, made: Made) -> None:
    """The mark moves to a bar within 60 ms of its sound by the audio clock, for three bars in four
    (a busy machine may draw a frame late)."""
    heard.set(tempo=320, count_in=False)
    record(heard)
    heard.click("#play")
    time.sleep(5)
    begun = heard.evaluate("heard.starts[0].when")
    marks = heard.evaluate("heard.marks")
    late = []
    for number in range(2, 6):
        at = next(mark["at"] for mark in marks if mark["place"].startswith(f"Bar {number} of"))
        late.append(abs(at - begun - (number - 1) * 4 * 60 / 320))
    assert np.percentile(late, 75) < 0.060, late
