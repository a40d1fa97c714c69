"""Change one constant or comparison of the program at a time, and see whether a test notices.

`python -m tools.mutate` (`make mutants`) takes 100 of them, spread over all rooms, and prints who
survives.  Each is tried in a scratch copy, by the tests that run the changed function: cheap ones
first, until one fails, for 8 seconds of processor time; the digests of a few presets come last and
are counted apart.  Which test runs what is found out once, by the suite in another copy
(`touched.py`); who is interrupted goes on where it was, and new tests are seen when they come.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from importlib.util import cache_from_source
from itertools import zip_longest
from pathlib import Path
from random import Random

from tools.touched import ALIKE, QUICK, TASTE, Function, functions, mark, seconds

ROOT = Path(__file__).parents[1]
PACKAGE = "drillgen"
WORK = ROOT / ".mutants"
TOUCHED = WORK / "touched.jsonl"
BUDGET = 8.0  # seconds of processor time that the tests of one mutant took when they were seen
SHARED = 12.0  # and their shared fixtures: one pack, of about eight, serves many tests
HANGS = 60  # seconds of processor time after which a process that a mutant is in hangs: it is dead
PATIENCE = 900  # seconds after which it waits for what never comes, and is dead, too
UNSEEN = ("tests/page", "tests/fuzz")  # they wait for music to be played, or take minutes
FEW = 5  # tests: where no more run a function, those of its file and its room come, too
MANY = 100  # a whole number from which on it is a measure
DIGESTS = "tests/test_digests.py"
PRESETS = ("first-two-fives", "blues-walking", "paper-lantern", "one-bar-echoes")
COPIED = ("drillgen", "tests", "tools", "benchmarks", "docs", "presets", "pyproject.toml",
          "README.md", "CHANGELOG.md", "DEVELOPERS.md", "Makefile", "LICENSE",
          "soundfonts", "locked")  # fmt: skip
SWAPPED = {"<": "<=", "<=": "<", ">": ">=", ">=": ">", "==": "!=", "!=": "==",
           "in": "not in", "not in": "in", "is": "is not", "is not": "is"}  # fmt: skip
OPERATORS: dict[type[ast.cmpop], str] = {
    ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=",
    ast.In: "in", ast.NotIn: "not in", ast.Is: "is", ast.IsNot: "is not",
}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """A stretch of one line of a file, and what it becomes."""

    file: str  # under the package
    line: int  # from 1
    begin: int  # bytes
    end: int
    becomes: str
    functions: frozenset[str]  # "file:name" of those that see it

    @property
    def room(self) -> str:
        return self.file.split("/")[0]

    def source(self, text: str) -> tuple[str, str]:
        """The file with the change, and the changed line."""
        lines = text.split("\n")
        old = lines[self.line - 1].encode()
        lines[self.line - 1] = (
            old[: self.begin] + self.becomes.encode() + old[self.end :]
        ).decode()
        return "\n".join(lines), lines[self.line - 1].strip()


class _Finder(ast.NodeVisitor):
    """All mutants of a file."""

    def __init__(self, file: str, text: str, users: dict[str, set[str]]) -> None:
        self._file, self._lines, self._users = file, text.split("\n"), users
        self.tree = ast.parse(text)
        self._places = dict(functions(self.tree, f"{file}:"))
        self._inside: list[str] = []  # functions
        self._names: list[str] = []  # what the module assigns here
        self.found: list[Mutant] = []

    def visit_FunctionDef(self, node: Function) -> None:
        self._inside.append(self._places[node])
        self.generic_visit(node)
        self._inside.pop()

    visit_AsyncFunctionDef = visit_FunctionDef  # noqa: N815

    def visit_Assign(self, node: ast.Assign | ast.AnnAssign) -> None:
        targets = node.targets if isinstance(node, ast.Assign) else [node.target]
        before = self._names
        if not self._inside:
            self._names = [n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)]
        if node.value is not None:
            self.visit(node.value)
        self._names = before

    visit_AnnAssign = visit_Assign  # noqa: N815

    def visit_Constant(self, node: ast.Constant) -> None:
        if type(node.value) in (int, float) and node.end_col_offset is not None:
            self._add(node.lineno, node.col_offset, node.end_col_offset, _other(node.value))

    def visit_Compare(self, node: ast.Compare) -> None:
        left: ast.expr = node.left
        for operator, right in zip(node.ops, node.comparators, strict=True):
            text = OPERATORS[type(operator)]
            if left.end_lineno == right.lineno and left.end_col_offset is not None:
                line = self._lines[right.lineno - 1].encode()
                between = line[left.end_col_offset : right.col_offset].decode()
                if between.strip() == text:
                    begin = left.end_col_offset + between.index(text)
                    end = begin + len(text)
                    self._add(right.lineno, begin, end, SWAPPED[text])
            left = right
        self.generic_visit(node)

    def _add(self, line: int, begin: int, end: int, becomes: str) -> None:
        if self._inside:
            seen = {self._inside[0], self._inside[-1]}
        else:
            seen = {place for name in self._names for place in self._mentioning(name)}
        if not seen:
            seen = {f"{self._file}:"}  # anything in the file
        self.found.append(Mutant(self._file, line, begin, end, becomes, frozenset(seen)))

    def _mentioning(self, name: str) -> set[str]:
        """The functions that use what a module has; of this file, where it is its own."""
        own = name.startswith("_")
        return {p for p in self._users[name] if not own or p.startswith(f"{self._file}:")}


def _other(value: float) -> str:
    """A count is one more, a measure half as much again: one hertz more would be no change."""
    if isinstance(value, int):
        return str(value + 1 if value < MANY else value * 3 // 2)
    return repr(round(value * 1.5, 6)) if value else "0.5"


def sources() -> dict[str, str]:
    top = ROOT / PACKAGE
    return {
        path.relative_to(top).as_posix(): path.read_text("utf-8")
        for path in sorted(top.rglob("*.py"))
        if path.name != "version.py"
    }


def users(texts: dict[str, str]) -> dict[str, set[str]]:
    """For each name the functions that mention it."""
    found: dict[str, set[str]] = defaultdict(set)
    for file, text in texts.items():
        for node, place in functions(ast.parse(text), f"{file}:"):
            for inner in ast.walk(node):
                if isinstance(inner, ast.Name | ast.Attribute):
                    name = inner.id if isinstance(inner, ast.Name) else inner.attr
                    found[name].add(place)
    return found


def chosen(count: int, seed: int) -> list[Mutant]:
    """Some mutants, the rooms in turn."""
    texts, random = sources(), Random(seed)
    known = users(texts)
    rooms: dict[str, list[Mutant]] = defaultdict(list)
    for file, text in texts.items():
        finder = _Finder(file, text, known)
        finder.visit(finder.tree)
        for mutant in finder.found:
            rooms[mutant.room].append(mutant)
    for mutants in rooms.values():
        random.shuffle(mutants)
    turns = zip_longest(*(rooms[room] for room in sorted(rooms)))
    return [mutant for turn in turns for mutant in turn if mutant is not None][:count]


@dataclass(frozen=True)
class Seen:
    """A test as it was seen to run."""

    name: str
    seconds: float
    functions: frozenset[str]
    fixtures: dict[str, float] = field(hash=False)  # that other tests share, and their seconds


def seen_tests() -> list[Seen]:
    rows = [json.loads(line) for line in TOUCHED.read_text("utf-8").splitlines()]
    return [
        Seen(name, seconds, frozenset(functions), fixtures)
        for name, seconds, functions, fixtures in rows
    ]


def see() -> None:
    """Which test runs what, of those that are new; who fails in a copy kills nobody."""
    print("Seeing which test runs what: of all tests this takes as long as they do.", flush=True)
    scratch = WORK / "marked"
    copy(scratch)
    mark(scratch)
    left_out = [f"--ignore={name}" for name in UNSEEN]
    done = _pytest(["tests", *left_out], scratch, plugin="tools.touched", TOUCHED=str(TOUCHED))
    print("\n".join(re.findall(r"^(?:FAILED|ERROR) .*", done.stdout, re.MULTILINE)), flush=True)


def selection(mutant: Mutant, tests: Iterable[Seen], budget: float) -> list[str]:
    """The tests that run what is changed, cheap ones first, few long ones of a kind, within the
    budget, and what they share within its own."""
    own = [test for test in tests if not test.name.startswith(DIGESTS)]
    touching = [test for test in own if not mutant.functions.isdisjoint(test.functions)]
    if len(touching) < FEW:  # in the table of a module, or in a thread, which is not looked at
        near = [test for test in own if _of_file(mutant, test) or _of_room(mutant, test)]
        touching = list(dict.fromkeys([*touching, *near]))
    # Taste first, then what comes near: a test that runs little else.
    touching.sort(key=lambda t: (TASTE not in t.name, t.seconds + len(t.functions) / 400))
    kinds: Counter[str] = Counter()
    spent, shared, made, found = 0.0, 0.0, set[str](), []
    for test in touching:
        kind = test.name.split("[")[0]
        kinds[kind] += 1
        few = kinds[kind] <= ALIKE or TASTE in kind or test.seconds <= QUICK
        fixtures = sum(cost for name, cost in test.fixtures.items() if name not in made)
        if few and spent + test.seconds <= budget and shared + fixtures <= SHARED:
            spent, shared = spent + test.seconds, shared + fixtures
            made |= test.fixtures.keys()
            found.append(test.name)
    return found


def _of_file(mutant: Mutant, test: Seen) -> bool:
    return any(place.startswith(f"{mutant.file}:") for place in test.functions)


def _of_room(mutant: Mutant, test: Seen) -> bool:
    return test.name.startswith(f"tests/{mutant.room}/")


def _pytest(
    arguments: list[str], folder: Path, plugin: str, **more: str
) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", plugin]
    return subprocess.run(
        [*command, *arguments],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(folder)} | more,
        capture_output=True,
        text=True,
        timeout=None if plugin == "tools.touched" else PATIENCE,
        check=False,
        preexec_fn=None if plugin == "tools.touched" else _end_when_it_hangs,
    )


def _end_when_it_hangs() -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (HANGS, HANGS + 5))


def run(names: list[str], scratch: Path) -> str:
    """The first test that fails in the scratch copy; "" where all pass."""
    listed = scratch / "chosen"
    listed.write_text("\n".join(names), "utf-8")
    files = {name.split("::")[0]: None for name in names if (ROOT / name.split("::")[0]).exists()}
    try:
        done = _pytest(["-x", *files], scratch, plugin="tools.chosen", CHOSEN=str(listed))
    except subprocess.TimeoutExpired:
        return "(it hangs)"
    if done.returncode == 0:
        return ""
    failed = re.search(r"^(?:FAILED|ERROR) (\S+)", done.stdout, re.MULTILINE)
    hangs = done.returncode == -signal.SIGXCPU
    return failed[1] if failed else "(it hangs)" if hangs else "(it does not start)"


def fate(mutant: Mutant, tests: list[Seen], budget: float, scratch: Path) -> tuple[str, str]:
    """How a mutant ends (killed, digests, survived), and by which test."""
    path = scratch / PACKAGE / mutant.file
    text = path.read_text("utf-8")
    digests = [f"{DIGESTS}::test_no_note_has_changed[{name}-1]" for name in PRESETS]
    try:
        _write(path, mutant.source(text)[0])
        failed = run([*selection(mutant, tests, budget), *digests], scratch)
    finally:
        _write(path, text)
    if failed.startswith(DIGESTS):
        return "digests", failed
    return ("killed", failed) if failed else ("survived", "")


def _write(path: Path, text: str) -> None:
    """A module, of which nothing compiled is left: Python tells by second and size."""
    path.write_text(text, "utf-8")
    Path(cache_from_source(str(path))).unlink(missing_ok=True)


def copy(scratch: Path) -> None:
    """The tree as it is."""
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir(parents=True)
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, scratch / name, symlinks=True)
        elif source.exists():
            shutil.copy(source, scratch / name)


def told(mutant: Mutant, found: tuple[str, str], top: Path) -> str:
    text = (top / PACKAGE / mutant.file).read_text("utf-8")
    was = text.split("\n")[mutant.line - 1].strip()
    _, now = mutant.source(text)
    return f"{found[0]:8} {mutant.file}:{mutant.line}  {was}  ->  {now}  {found[1]}"


def fates(mutants: list[Mutant], budget: float, scratch: Path) -> Iterator[tuple[str, str]]:
    """How each ends, in a word and in a line."""
    tests = seen_tests()
    for mutant in mutants:
        before = seconds()
        found = fate(mutant, tests, budget, scratch)
        line = told(mutant, found, scratch)
        print(f"{seconds() - before:4.1f} s  {line}", flush=True)
        yield found[0], line


def main() -> None:
    """Try mutants and print the table of those that no test sees."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--budget", type=float, default=BUDGET)
    parser.add_argument("--skip", type=int, default=0, help="those that were tried before")
    parser.add_argument("--part", default="1/1", help="2/3: of each three the second one alone")
    parser.add_argument("--only", default="", help="those whose file:line begins so")
    parser.add_argument("--seen", action="store_true", help="look for no tests that are new")
    parser.add_argument("--list", action="store_true", help="only show them")
    asked = parser.parse_args()
    WORK.mkdir(exist_ok=True)
    part, parts = map(int, asked.part.split("/"))
    mutants = [
        mutant
        for mutant in chosen(asked.count, asked.seed)[asked.skip :][part - 1 :: parts]
        if f"{mutant.file}:{mutant.line}".startswith(tuple(asked.only.split(",")))
    ]
    if asked.list:
        print("\n".join(told(mutant, ("", ""), ROOT) for mutant in mutants))
        return
    scratch = WORK / f"scratch-{part}"
    copy(scratch)
    if not asked.seen:
        see()
    table = list(fates(mutants, asked.budget, scratch))
    count = Counter(kind for kind, _ in table)
    print("\nSurvivors:")
    print("\n".join(line for kind, line in table if kind == "survived"))
    print(f"\n{count['killed']} killed, {count['digests']} by digests alone, of {len(table)}.")


if __name__ == "__main__":
    main()
