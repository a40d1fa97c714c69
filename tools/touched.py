"""A pytest plugin: which functions of drillgen each test runs, in its own process and in those it
starts, and what it costs.

`python -m pytest -p tools.touched` with TOUCHED naming a file; a line of JSON for each test:
its name, its seconds of processor time, and the functions as "file:name", by qualified names, so
that a file's other lines may move.
"""

from __future__ import annotations

import json
import os
import resource
from collections import Counter
from collections.abc import Generator
from cProfile import Profile
from pathlib import Path
from types import CodeType

ROOT = Path(__file__).parents[1] / "drillgen"
TASTE = "tests/taste/"
ALIKE = 3  # parameter sets of one test
_INSIDE = f"{ROOT}{os.sep}"
_watch = Profile()


def begin() -> None:
    """Forget what has run, and look on from here."""
    _watch.clear()
    _watch.enable(subcalls=False, builtins=False)


def functions() -> set[str]:
    """Those of drillgen that have run since the beginning, in this thread."""
    _watch.disable()
    codes = (row.code for row in _watch.getstats())
    return {
        f"{code.co_filename.removeprefix(_INSIDE)}:{code.co_qualname}"
        for code in codes
        if isinstance(code, CodeType) and code.co_filename.startswith(_INSIDE)
    }


def seconds() -> float:
    """Processor time of this process and of those it has waited for."""
    usages = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(usage.ru_utime + usage.ru_stime for usage in usages)


if "TOUCHED" in os.environ:
    import pytest

    _FILE = Path(os.environ["TOUCHED"])
    _CHILDREN = _FILE.with_suffix(".children")
    os.environ["TOUCHED_CHILDREN"] = str(_CHILDREN)
    _own = str(Path(__file__).with_name("touched_child"))
    os.environ["PYTHONPATH"] = os.pathsep.join([_own, os.environ.get("PYTHONPATH", "")])

    _made: dict[object, set[str]] = {}  # what ran to set each fixture up

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
        """A few parameter sets of each test are as many as a mutant meets (`mutate.py`)."""
        kinds: Counter[str] = Counter()
        left, own = [], []
        for item in items:
            kind = item.nodeid.split("[")[0]
            kinds[kind] += 1
            (own if kinds[kind] <= ALIKE or TASTE in kind else left).append(item)
        config.hook.pytest_deselected(items=left)
        items[:] = own

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(fixturedef: object) -> Generator[None, object, object]:
        before = functions()
        _watch.enable(subcalls=False, builtins=False)
        try:
            return (yield)
        finally:
            _made[fixturedef] = (functions() - before) | _from_children()
            _watch.enable(subcalls=False, builtins=False)

    def _of_fixtures(item: pytest.Item) -> set[str]:
        """A fixture that tests share was set up in the first of them, but all look at it."""
        known = item._fixtureinfo.name2fixturedefs.values()  # type: ignore[attr-defined]
        return {place for found in known for each in found for place in _made.get(each, ())}

    def _from_children() -> set[str]:
        if not _CHILDREN.exists():
            return set()
        found = set(_CHILDREN.read_text("utf-8").split("\n"))
        _CHILDREN.unlink()
        return found

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
        before = seconds()
        begin()
        try:
            return (yield)
        finally:
            found = functions() | _from_children() | _of_fixtures(item)
            row = [item.nodeid, round(seconds() - before, 2), sorted(found - {""})]
            with _FILE.open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
