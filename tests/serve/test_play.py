"""`drillgen play`: a drill is heard without a pack, and its file is followed."""

from __future__ import annotations

import os
import re
import signal
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Run
from tests.forking import Begun
from tests.pack.building import TINY, until
from tests.serve.serving import PATIENCE


@contextmanager
def playing(drill: Path) -> Iterator[tuple[Begun, str, Callable[[str], str]]]:
    """`drillgen play`: the process, its address, and how to wait for what it says, which then is
    all that it has said."""
    temporary = drill.parent / "temporary"
    temporary.mkdir()
    arguments = ["play", str(drill), "--no-browser"]
    process = Begun(arguments, drill.parent, more={"TMPDIR": str(temporary)})

    def says(text: str) -> str:
        said = until(lambda: text in (all_of_it := "".join(process.said())) and all_of_it)
        return str(said)

    try:
        address = says("Ctrl-C ends it").split("http")[1].split("\n")[0]
        yield process, f"http{address}", says
    finally:
        process.kill()
        process.wait()


POSIX = pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")


@POSIX
def test_a_file_is_followed(tmp_path: Path) -> None:
    """The page is there at once; after a change it is another, and who was loading the first finds
    the rest of it; after a slip the slip is said with its place and the page stays; Ctrl-C ends it,
    and nothing is left."""
    drill = tmp_path / "mine.yaml"
    drill.write_text(f"{{title: First try, {TINY}}}\n", "utf-8")
    with playing(drill) as (process, address, says):

        def page(name: str = "") -> str:
            with urllib.request.urlopen(address + name, timeout=PATIENCE) as answer:
                return str(answer.read().decode("utf-8"))

        first = page()
        assert "First try" in first
        (own,) = re.findall(r'"file":"(drill-\w+)"', first)
        drill.write_text(f"{{title: Second try, {TINY}}}\n", "utf-8")
        says("Second try: ready")
        assert "Second try" in page() and "First try" in page(f"page/{own}.js")
        drill.write_text(f"{{titel: Third try, {TINY}}}\n", "utf-8")
        assert f"{drill}:1:2: titel:" in says('mean "title"?')
        assert "Second try" in page()
        process.send_signal(signal.SIGINT)
        assert until(lambda: process.poll() is not None) and process.wait() == 0
    assert not list((tmp_path / "temporary").iterdir())


@POSIX
def test_the_page_follows_by_itself(tmp_path: Path, browser: Any) -> None:
    """A page that is open shows what has become of the drill, of the lead sheet that it names, and
    what is wrong with its place, without being loaded by hand; when the command has ended it says
    so.  What nobody has chosen otherwise is as the file has it.  A browser keeps nothing of it,
    not even where what makes the page follow comes after all else, and after the first change."""
    drill, sheet = tmp_path / "mine.yaml", tmp_path / "tune.musicxml"
    own = TINY.replace("progression: I", "progression: tune.musicxml")
    drill.write_text(f"{{title: First try, {own}}}\n", "utf-8")
    sheet.write_text(LEAD_SHEET, "utf-8")
    with playing(drill) as (process, address, says):
        view = browser.new_page()
        view.set_default_timeout(PATIENCE * 1000)
        complaints: list[str] = []
        view.on("console", lambda said: complaints.append(said.text))
        late: list[Any] = []
        view.route("**/follow.js", lambda asked: late.append(asked), times=1)
        with view.expect_request_finished(lambda asked: asked.url.endswith("/page/room.js")):
            view.goto(address, wait_until="commit")
        chords = view.locator("#strip svg")
        chords.get_by_text("C", exact=True).first.wait_for()
        view.locator("#play").click()
        view.wait_for_url(re.compile("drill=1"), wait_until="commit")
        own = own.replace("key_cycle: C", "tempo: 66, key_cycle: [C, F]")
        drill.write_text(f"{{title: Second try, {own}}}\n", "utf-8")
        says("Second try: ready")
        late.pop().continue_()
        view.get_by_role("heading", name="Second try").wait_for()
        view.get_by_text("Bar 1 of 2").wait_for()
        assert view.get_by_text("First try").count() == 0
        assert [view.locator(name).input_value() for name in ("#tempo", "#to")] == ["66", "2"]
        view.locator("#tempo").fill("77")
        view.locator("#tempo").press("Tab")
        view.wait_for_url(re.compile("tempo=77"))
        assert chords.get_by_text("G", exact=True).count() == 0
        sheet.write_text(LEAD_SHEET.replace(">C<", ">G<"), "utf-8")
        chords.get_by_text("G", exact=True).first.wait_for()
        view.get_by_role("link", name="77 beats a minute").wait_for()
        drill.write_text(f"{{titel: Third try, {own}}}\n", "utf-8")
        problem = view.locator("#following")
        problem.filter(has_text="titel:").wait_for()  # not what was half written
        view.evaluate("scrollTo(0, document.body.scrollHeight)")
        assert view.evaluate(_SEEN), "what is wrong stays in sight, and can be scrolled by keys"
        assert problem.text_content().startswith(f"{drill}:1:2: titel:")
        drill.write_text(f"{{title: Third try, {own}}}\n", "utf-8")
        view.get_by_role("heading", name="Third try").wait_for()
        assert problem.is_hidden()
        assert view.evaluate("navigator.serviceWorker.getRegistrations()") == complaints == []
        process.send_signal(signal.SIGINT)
        view.get_by_text("drillgen play has ended").wait_for()
        view.close()


_SEEN = """() => {
    const said = document.querySelector("#following");
    const { top, bottom } = said.getBoundingClientRect();
    said.focus();
    return scrollY > 0 && top > 0 && bottom < innerHeight && document.activeElement === said;
}"""
LEAD_SHEET = """<score-partwise version="4.0"><part-list>
<score-part id="P1"><part-name/></score-part></part-list><part id="P1"><measure number="1">
<attributes><divisions>1</divisions></attributes>
<harmony><root><root-step>C</root-step></root><kind>major</kind></harmony>
<note><rest/><duration>4</duration></note></measure></part></score-partwise>
"""


def test_a_slip_at_the_start(tmp_path: Path, drillgen: Run) -> None:
    """What cannot be read is said, and nothing is opened."""
    drill = tmp_path / "mine.yaml"
    drill.write_text("progression: ii7 | X\n", "utf-8")
    done = drillgen("play", drill, "--no-browser")
    assert done.returncode == 2 and f"{drill}:1:20" in done.stderr and not done.stdout
