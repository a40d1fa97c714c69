"""A pytest plugin: which functions of drillgen each test runs, in its own process and in all that
come of it, and what it costs.

`mutate.py` makes a copy of the program in which each function, when it runs, sets a byte of its
own in a file that all processes have in memory (`marked`, `RAN`): an hour's tests take a tenth
longer so, where a profiler would double it, and those that are killed have told, too.  In that
copy `python -m pytest -p tools.touched` with TOUCHED naming a file adds a line of JSON to it for
each test that passes and is not there: its name, its seconds of processor time, the functions as
"file:name", by qualified names, so that a file's other lines may move, and what the fixtures that
it shares with other tests cost, each by its name.
"""

from __future__ import annotations

import ast
import json
import os
import resource
from collections import defaultdict
from collections.abc import Generator, Iterator
from pathlib import Path

TASTE = "tests/taste/"
ALIKE = 3  # parameter sets of one test, if they are not quick
QUICK = 0.1  # seconds
PLACES = "places.json"  # what each byte stands for
BYTES = "ran"
RAN = '''"""The bytes that functions set."""

import mmap
import os

RAN = mmap.mmap(os.open({file!r}, os.O_RDWR), 0)
'''
Function = ast.FunctionDef | ast.AsyncFunctionDef


def functions(node: ast.AST, inside: str) -> Iterator[tuple[Function, str]]:
    """All functions under a node, each with its qualified name as Python gives it."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
            yield child, inside + child.name
            yield from functions(child, f"{inside}{child.name}.<locals>.")
        elif isinstance(child, ast.ClassDef):
            yield from functions(child, f"{inside}{child.name}.")
        else:
            yield from functions(child, inside)


def marked(text: str, file: str, places: list[str]) -> str:
    """A module whose functions set bytes, with their places behind those that are known."""
    tree, lines = ast.parse(text), text.split("\n")
    added: list[tuple[int, int, str]] = []
    for node, place in functions(tree, f"{file}:"):
        added.append(_before(_first(node), lines, f"_RAN[{len(places)}] = 1"))
        places.append(place)
    if added:
        head = next(each for each in tree.body if not _is_text(each) and not _is_future(each))
        added.append(_before(head, lines, "from drillgen.ran import RAN as _RAN"))
    for number, column, more in sorted(added, reverse=True):
        line = lines[number].encode()
        lines[number] = (line[:column] + more.encode() + line[column:]).decode()
    return "\n".join(lines)


def _first(node: Function) -> ast.stmt:
    """Behind its docstring, where there is anything."""
    return node.body[1] if _is_text(node.body[0]) and len(node.body) > 1 else node.body[0]


def _is_text(node: ast.stmt) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _is_future(node: ast.stmt) -> bool:
    return isinstance(node, ast.ImportFrom) and node.module == "__future__"


def _before(node: ast.stmt, lines: list[str], more: str) -> tuple[int, int, str]:
    """Where a statement goes before another, and how: the line from 0, and the byte in it."""
    decorators = getattr(node, "decorator_list", [])
    number = min([node.lineno, *(each.lineno for each in decorators)]) - 1
    before = lines[number].encode()[: node.col_offset].decode()
    return number, node.col_offset, f"{more}; " if before.strip() else f"{more}\n{before}"


def mark(top: Path) -> None:
    """Let the functions of a copy's program set bytes."""
    places: list[str] = []
    for path in sorted((top / "drillgen").rglob("*.py")):
        file = path.relative_to(top / "drillgen").as_posix()
        path.write_text(marked(path.read_text("utf-8"), file, places), "utf-8")
    (top / PLACES).write_text(json.dumps(places), "utf-8")
    (top / BYTES).write_bytes(bytes(len(places)))
    (top / "drillgen" / "ran.py").write_text(RAN.format(file=str(top / BYTES)), "utf-8")


def seconds() -> float:
    """Processor time of this process, of those it has waited for, and of what forks for it."""
    usages = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    own = sum(usage.ru_utime + usage.ru_stime for usage in usages)
    return own + _of_forks() / os.sysconf("SC_CLK_TCK")


def _of_forks() -> int:
    """In ticks, what `tests/forking.py` has waited for (Linux, proc(5): 14 to 17)."""
    from tests import forking

    if not forking._forking.cache_info().currsize:
        return 0
    file = Path(f"/proc/{forking._forking(os.getpid()).pid}/stat")
    return sum(map(int, file.read_text().rpartition(")")[2].split()[11:15])) if file.exists() else 0


if "TOUCHED" in os.environ:
    import pytest
    from drillgen.ran import RAN as _RAN  # type: ignore[import-not-found]

    from tests.scheduling import LONG

    _FILE = Path(os.environ["TOUCHED"])
    _PLACES = json.loads((Path(__file__).parents[1] / PLACES).read_text("utf-8"))
    _FILE.touch()
    _KNOWN = dict(json.loads(line)[:2] for line in _FILE.read_text("utf-8").splitlines())
    _alike: dict[str, list[float]] = defaultdict(list)  # seconds of each test's parameter sets
    for _name, _seconds in _KNOWN.items():
        _alike[_name.split("[")[0]].append(_seconds)
    _made: dict[object, tuple[set[int], float]] = {}  # what ran to set each fixture up, its seconds
    _failed: set[str] = set()

    def _ran() -> set[int]:
        """What has run since this was asked last."""
        found = {number for number, byte in enumerate(_RAN[:]) if byte}
        _RAN[:] = bytes(len(_RAN))
        return found

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
        """Long rooms come last, and are left to see where one does not wait for them."""
        config.hook.pytest_deselected(items=[item for item in items if item.nodeid in _KNOWN])
        new = [item for item in items if item.nodeid not in _KNOWN]
        items[:] = sorted(new, key=lambda item: item.nodeid.startswith(LONG))

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_setup(item: pytest.Item) -> None:
        """Of a long test a few parameter sets are as many as a mutant meets (`mutate.py`)."""
        alike = _alike[item.nodeid.split("[")[0]]
        if len(alike) >= ALIKE and TASTE not in item.nodeid and sum(alike) > QUICK * len(alike):
            pytest.skip("others are alike")

    _test: list[set[int]] = [set()]  # what the test has run that runs now
    _shared = [0.0]  # of its seconds those that went into what other tests share

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(fixturedef: object) -> Generator[None, object, object]:
        _test[0] |= _ran()
        before, shared = seconds(), _shared[0]
        try:
            return (yield)
        finally:
            found = _ran()
            _test[0] |= found
            if fixturedef.scope != "function":  # type: ignore[attr-defined]
                # Fixtures that it asked for were set up before it, or are counted already.
                cost = max(seconds() - before - (_shared[0] - shared), 0.0)
                _shared[0] += cost
                _made[fixturedef] = found, round(cost, 2)

    def _of_fixtures(item: pytest.Item) -> Iterator[tuple[str, set[int], float]]:
        """A fixture that tests share was set up in the first of them, but all look at it."""
        known = item._fixtureinfo.name2fixturedefs  # type: ignore[attr-defined]
        for name, found in known.items():
            for each in found:
                if each in _made:
                    yield f"{each.baseid}:{name}", *_made[each]

    def pytest_runtest_logreport(report: pytest.TestReport) -> None:
        if not report.passed:
            _failed.add(report.nodeid)

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
        _ran()
        _test[0], _shared[0] = set(), 0.0
        before = seconds()
        try:
            return (yield)
        finally:
            own = seconds() - before - _shared[0]
            fixtures = list(_of_fixtures(item))
            found = (_test[0] | _ran()).union(*(ran for _, ran, _ in fixtures))
            places = sorted(_PLACES[number] for number in found)
            costs = {name: cost for name, _, cost in fixtures if cost}
            if item.nodeid not in _failed:
                _alike[item.nodeid.split("[")[0]].append(own)
                with _FILE.open("a", encoding="utf-8") as file:
                    file.write(json.dumps([item.nodeid, round(own, 2), places, costs]) + "\n")
