"""Making pages to test, opening them, and hearing what they play."""

from __future__ import annotations

import json
import types
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.disk import alone
from drillgen.drill.lesson import load
from drillgen.drill.models import Drill
from drillgen.page import Take
from drillgen.performance import perform
from tests.conftest import run_command
from tests.page.listening import PATIENCE, TAP, Listening

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

RATE = 44100
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

    @property
    def one_file(self) -> Path:
        """The same, its parts in it."""
        return self.folder / "page.html"


def make_page(folder: Path, drills: Sequence[Mapping[str, Any]], *options: str) -> Made:
    """Build a pack of a lesson through the command, its page also in one file, if no other worker
    has built it here."""
    folder.mkdir(exist_ok=True)
    lesson, built = folder / "lesson.yaml", folder / "built"
    with alone(folder / "lock"):
        if not built.exists():
            lesson.write_text(json.dumps({"title": TITLE, "drills": drills}), "utf-8")  # as YAML
            options = ("--single-file", "--quiet", *options)
            done = run_command("build", lesson, "-o", folder / "pack", *options)
            assert done.returncode == 0, done.stderr
            built.touch()
    return Made(folder / "pack", [_takes(drill) for drill in load(lesson).drills])


def _takes(drill: Drill) -> Sequence[Take]:
    scores = [arrange(chart) for chart in charts(drill)]
    return [Take(score.chart, score, perform(score)) for score in scores]


class View(Listening):
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
        self.context.set_default_timeout(PATIENCE * 1000)
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
            self.until("place", r"Bar \d+\b")

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

    def evaluate(self, expression: str) -> Any:
        return self.page.evaluate(expression)

    def click(self, selector: str) -> None:
        self.page.click(selector)

    def wait(self, seconds: float) -> None:
        self.page.wait_for_timeout(seconds * 1000)

    def fill(self, **fields: int | float | bool) -> None:
        """`set`, as a person does."""
        for name, value in fields.items():
            field = self.page.locator("#" + name.strip("_").replace("_", "-"))
            if isinstance(value, bool):
                field.set_checked(value)
            else:
                field.fill(f"{value:g}")
                field.press("Tab")

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
