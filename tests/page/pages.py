"""Making pages to test, opening them, and hearing what they play."""

from __future__ import annotations

import base64
import json
import re
import types
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.lesson import load
from drillgen.drill.models import Drill
from drillgen.page import Take
from drillgen.performance import perform
from tests.conftest import run_command

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

RATE = 44100
TAP = (Path(__file__).parent / "tap.js").read_text("utf-8")
TITLE = "</script><script>window.hacked=1</script>\"Two\" 'fives' in F# & 9%\u202e‮סוף <b onclick=x>"
HOSTILE: tuple[Mapping[str, Any], ...] = (
    {
        "title": TITLE,
        "note": "<img src=x onerror=window.hacked=2> Sing first.",
        "progression": "ii7 | V7 | Imaj7 | %",
        "key_cycle": ["C", "Ab"],
        "tempo": [120, 200],
        "count_in": {"bars": 1, "starting_note": True},
        "band": {"drums": "sticks", "comping": "piano", "bass": "roots"},
        "line": {"kind": "guide tones", "begin_on": 7},
        "gaps": {"call": 2, "response": 2},
        "timing": "exact",
    },
    {
        "title": "By ear, and faster",
        "progression": "i7 | % | % | %",
        "key_cycle": "Dm",
        "passes": 2,
        "tempo": {"from": 160, "to": 200, "step": 40},
        "count_in": 1,
        "line": "phrases",
        "gaps": {"call": 2, "response": 2, "harmony": "continues"},
        "ending": "none",
        "sheet": {"also_for": ["Bb", "tenor"]},
    },
)
_PHRASES = {
    **HOSTILE[0],
    "title": "Answers",
    "line": "phrases",
    "tempo": 100,
    "count_in": 1,
    "band": {"drums": "sticks"},
}
# A drill that asks for answers, and one that has no responses.
ASKING = (_PHRASES, {**_PHRASES, "title": "No answers", "line": "roots", "gaps": "off"})


_WATCH = """names => {
    window.watched = [];
    const text = (name) => document.getElementById(name).textContent;
    new MutationObserver(() => watched.push(names.map(text))).observe(
        document.getElementById(names.at(-1)), { childList: true });
}"""


@dataclass(frozen=True)
class Made:
    """A pack on disk, and what its page was made from."""

    folder: Path
    takes: Sequence[Sequence[Take]]  # of each drill

    @property
    def index(self) -> Path:
        return self.folder / "index.html"


def make_page(folder: Path, drills: Sequence[Mapping[str, Any]]) -> Made:
    """Build a pack of a lesson through the command, its page also in one file."""
    lesson = folder / "lesson.yaml"
    lesson.write_text(json.dumps({"title": TITLE, "drills": drills}), "utf-8")  # JSON is YAML
    done = run_command("build", lesson, "-o", folder / "pack", "--single-file", "--quiet")
    assert done.returncode == 0, done.stderr
    return Made(folder / "pack", [_takes(drill) for drill in load(lesson).drills])


def _takes(drill: Drill) -> Sequence[Take]:
    scores = [arrange(chart) for chart in charts(drill)]
    return [Take(score.chart, score, perform(score)) for score in scores]


class View:
    """A page in a browser.  `tapped`: listen in on it, which its security policy would not let."""

    def __init__(
        self,
        browser: Browser,
        url: str,
        *,
        tapped: bool = False,
        wait: bool = True,
        **options: Any,
    ) -> None:
        self.context = browser.new_context(bypass_csp=tapped, **options)
        self.page: Page = self.context.new_page()
        self.problems: list[str] = []
        self.requests: list[str] = []
        self.page.on("pageerror", lambda error: self.problems.append(str(error)))
        self.page.on("console", self._said)
        self.page.on("request", lambda request: self.requests.append(request.url))
        if tapped:
            self.page.add_init_script(TAP)
        self.page.goto(url)
        if wait:
            self.until("place", "Bar 1 of")

    def __enter__(self) -> View:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: types.TracebackType | None,
    ) -> None:
        self.context.close()

    def _said(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.problems.append(message.text)

    def text(self, name: str) -> str:
        return self.page.inner_text(f"#{name}")

    def until(self, name: str, pattern: str) -> None:
        """Wait until a text of the page matches; by polling, since the policy allows no `eval`."""
        from playwright.sync_api import expect

        expect(self.page.locator(f"#{name}")).to_have_text(re.compile(pattern), timeout=20_000)

    def set(self, **fields: int | float | bool) -> None:
        """Fill fields as a person does: `tempo=200, repeat=True`; `from_` for the reserved word."""
        for name, value in fields.items():
            field = self.page.locator("#" + name.strip("_").replace("_", "-"))
            if isinstance(value, bool):
                field.set_checked(value)
            else:
                field.fill(f"{value:g}")
                field.press("Tab")

    def play(self) -> None:
        self.page.click("#play")
        self.until("word", "^(?!Ready|Paused|Loading)")

    def wait(self, seconds: float) -> None:
        self.page.wait_for_timeout(seconds * 1000)

    def record(self) -> None:
        """Begin to listen in; the first touch, which wakes the sound, goes before."""
        self.play()
        self.page.click("#play")
        self.page.evaluate("heard.listen()")
        self.page.wait_for_function("drillgen.context.currentTime > 0.5")  # devices start late
        self.page.evaluate("heard.blocks.length = heard.starts.length = heard.marks.length = 0")

    def is_whole(self) -> bool:
        """Whether nothing of what was heard since is missing or came late, as on a busy machine."""
        return bool(self.page.evaluate("heard.whole()"))

    def recorded(self) -> NDArray[np.float32]:
        """What was heard since: shape (1 + parts, samples), the mix first."""
        channels = int(self.page.evaluate("heard.blocks[0].length"))
        data = base64.b64decode(self.page.evaluate("heard.take()"))
        self.page.evaluate("heard.blocks.length = 0")
        return np.frombuffer(data, "<f4").reshape(channels, -1)

    def parts(self) -> list[str]:
        """The names of the parts, in the order of `recorded`'s channels from 1 on."""
        ids = self.page.eval_on_selector_all(
            "#parts input[type=checkbox]", "all => all.map(e => e.id)"
        )
        return [name.removeprefix("on-") for name in ids]

    def watch(self, *names: str) -> None:
        """From now on note these texts whenever the last of them changes."""
        self.page.evaluate(_WATCH, list(names))

    def watched(self) -> list[list[str]]:
        """The texts that were noted, in order."""
        found: list[list[str]] = self.page.evaluate("watched")
        return found

    def marks(self) -> list[dict[str, Any]]:
        """What was marked and said, each with the audio clock's time at the ear."""
        found: list[dict[str, Any]] = json.loads(self.page.evaluate("JSON.stringify(heard.marks)"))
        return found
