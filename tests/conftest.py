"""Front-door helpers: run the command as a person would; one small pack for many tests."""

from __future__ import annotations

import gc
import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

import hypothesis
import pytest

from drillgen.disk import alone
from tests import forking

# Shared machines are busy at times: what is slow there is not wrong.  The same examples are drawn
# at each run, so that a test fails by what has changed; `--hypothesis-profile=random` draws others.
hypothesis.settings.register_profile(
    "same", derandomize=True, database=None, deadline=None, max_examples=50
)
hypothesis.settings.register_profile("random", database=None, deadline=None, print_blob=True)
hypothesis.settings.load_profile("same")

# Whoever a script runs in the background ignores Ctrl-C (POSIX, "Asynchronous Lists"), and so
# would all commands that tests begin and interrupt.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

HERE = Path(__file__).parent
DATA = HERE / "data"
Run = Callable[..., subprocess.CompletedProcess[str]]

SMALL = """\
title: Two keys to answer in
progression: ii7 | V7 | Imaj7 | %
key_cycle: [C, Ab]
tempo: 120
count_in: 2
band: {drums: sticks, comping: piano, bass: walking}
line: {kind: guide tones, begin_on: 7}
gaps: {call: 4, response: 4}
seed: 5
timing: exact  # the tests of the audio look for strokes where they are written
"""


def run_command(
    *arguments: str | Path, cwd: Path | None = None
) -> subprocess.CompletedProcess[str]:
    """Run `drillgen` in a process of its own."""
    return forking.run([str(argument) for argument in arguments], cwd)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One more than there are processors: the first mostly waits.  (With one more still, presets
    are composed in more workers, and two processors take longer.)"""
    return len(os.sched_getaffinity(0)) + 1 if hasattr(os, "sched_getaffinity") else 2


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """Imported late: without pytest-xdist tests run one after the other."""
    from tests.scheduling import scheduler

    return scheduler(config, log)


def pytest_configure(config: pytest.Config) -> None:
    """Hypothesis mixes constants of whatever modules are loaded into what it draws: what a test
    gets then follows from what ran before it in its worker, and half of all is parsed for it."""
    from hypothesis.internal.conjecture import providers

    # Private names: where another release has others, examples are drawn as it draws them.
    if hasattr(providers, "_get_local_constants") and hasattr(providers, "_local_constants"):
        none = providers._local_constants  # as it is before anything is read
        if config.getoption("--hypothesis-profile", None) != "random":
            providers._get_local_constants = lambda: none


def pytest_sessionstart(session: pytest.Session) -> None:
    """Of a fresh clone's tests each worker compiles its share, which the others then find, instead
    of all of them."""
    worker = getattr(session.config, "workerinput", None)
    if worker is not None or not session.config.getoption("numprocesses", None):
        gc.disable()  # what is collected stays: to look through it takes a fifth of the time
    if worker is not None:
        number, count = int(worker["workerid"][2:]), int(worker["workercount"])
        for file in sorted(HERE.rglob("test_*.py"))[number::count]:
            name = ".".join(file.relative_to(HERE.parent).with_suffix("").parts)
            with suppress(Exception, pytest.skip.Exception):  # collecting will say so
                import_module(name)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """As `scheduling.py` has them, in every worker alike."""
    from tests.scheduling import turn

    items.sort(key=lambda item: turn(item.nodeid, _seed(item)))


def pytest_collection_finish() -> None:
    """Python looks for cycles among all objects, and with thousands of tests in memory that takes a
    quarter of the time: it passes over what is there now, and looks again more seldom."""
    gc.enable()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


def _seed(item: pytest.Item) -> int:
    values = item.callspec.params if hasattr(item, "callspec") else {}
    seed = values.get("seed", 1)
    return seed if isinstance(seed, int) else 1


def pytest_runtest_setup(item: pytest.Item) -> None:
    """What does not have to keep time makes way for what does."""
    from tests.scheduling import IN_TIME

    if not item.nodeid.startswith(IN_TIME) and "PYTEST_XDIST_WORKER" in os.environ:
        os.nice(max(0, 5 - os.nice(0)))


@pytest.fixture
def drillgen() -> Run:
    return run_command


@pytest.fixture(scope="session", autouse=True)
def notes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A cache of rendered notes for this run alone, shared by its workers, as builds share one: a
    person's own is neither needed nor filled."""
    top = tmp_path_factory.getbasetemp()
    folder = (top.parent if "PYTEST_XDIST_WORKER" in os.environ else top) / "notes"
    folder.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DRILLGEN_CACHE", str(folder))
        yield folder


@dataclass(frozen=True)
class Built:
    """A pack on disk and its manifest."""

    folder: Path
    manifest: dict[str, Any]
    output: str

    def file(self, role: str, track: int = 0) -> Path:
        return self.folder / self.manifest["tracks"][track]["files"][role]


@pytest.fixture(scope="session")
def pack(notes: Path) -> Built:
    """The pack of `SMALL`, with stems, built through the command by the worker that first needs
    it."""
    folder = notes.with_name("small")
    said = folder / "said"
    folder.mkdir(exist_ok=True)
    with alone(folder / "lock"):
        if not said.exists():
            drill = folder / "small.yaml"
            drill.write_text(SMALL, "utf-8")
            done = run_command("build", drill, "-o", folder / "pack", "--stems")
            assert done.returncode == 0, done.stderr
            said.write_text(done.stdout, "utf-8")
    manifest = json.loads((folder / "pack" / "manifest.json").read_text("utf-8"))
    return Built(folder / "pack", manifest, said.read_text("utf-8"))


# What tools/fetch_browser.sh puts beside the tests' Python where the machine lacks it.
_FETCHED = Path(sys.prefix) / "browser"


def chromium() -> str | None:
    """The fetched browser, else the system's."""
    own = str(_FETCHED / "chromium")
    names = (os.environ.get("DRILLGEN_BROWSER", ""), own, "chromium", "chromium-browser")
    return next((found for name in names if name and (found := shutil.which(name))), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """A real browser, one for all tests; skipped where there is none."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = chromium()
    if path is None:
        pytest.skip("there is no chromium, and tools/fetch_browser.sh could fetch none")
    with with_fetched_libraries():
        driver = playwright.sync_playwright().start()
    browser = driver.chromium.launch(executable_path=path, args=["--no-sandbox"])
    yield browser
    browser.close()
    driver.stop()


@contextmanager
def with_fetched_libraries() -> Iterator[None]:
    """While Playwright starts its Node.js."""
    named = _FETCHED / "libraries"
    with pytest.MonkeyPatch.context() as patch:
        if named.exists():
            patch.setenv("LD_LIBRARY_PATH", named.read_text("utf-8").strip(), prepend=":")
        yield
