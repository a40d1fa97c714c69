"""How the house is built: one direction, each name once."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path

HOUSE = Path(__file__).parent.parent / "drillgen"

# From left to right: a file imports from rooms to its left, or from its own.
ROOMS = (
    *("errors", "version", "disk"),
    *("theory", "drill", "chart", "score"),
    *("lines", "listing", "band", "arrange"),
    *("drift", "timing", "performance", "midi"),
    *("sheet", "bank", "sound", "audio", "take", "page", "pack", "serve"),
    *("", "cli", "__main__"),
)


@cache
def modules() -> dict[str, ast.Module]:
    """Every module by its name without `drillgen.`; the package itself is ``."""
    named = {}
    for file in sorted(HOUSE.rglob("*.py")):
        parts = file.relative_to(HOUSE).with_suffix("").parts
        named[".".join(part for part in parts if part != "__init__")] = ast.parse(file.read_text())
    return named


def _imports(tree: ast.Module) -> Iterator[str]:
    """What a module imports of the house, at its head, in a function or for the checker alone."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "drillgen":
            base = (node.module or "")[len("drillgen") + 1 :]
            for name in node.names:
                inner = f"{base}.{name.name}".strip(".")
                yield inner if inner in modules() else base


def _room(module: str) -> int:
    """The place in `ROOMS` of the longest name that the module's begins with."""
    fitting = [room for room in ROOMS if module == room or module.startswith(f"{room}.")]
    return ROOMS.index(max(fitting, key=len)) if fitting else -1


def test_rooms_lie_in_order() -> None:
    """A file imports only from its own room and from those to its left, lazily or not."""
    for module, tree in modules().items():
        assert _room(module) >= 0, f"{module} lies in no room"
        assert [name for name in _imports(tree) if _room(name) > _room(module)] == [], module


def test_no_module_leads_back_to_itself() -> None:
    """Whoever reads a module's imports, and theirs, never comes back: no cycle, even lazily."""
    left = {name: set(_imports(tree)) - {name} for name, tree in modules().items()}
    while free := [name for name, needed in left.items() if not needed & left.keys()]:
        for name in free:
            del left[name]
    assert sorted(left) == []


def test_no_type_has_a_namesake() -> None:
    """A class name stands in one module alone, so that it means one thing."""
    where = defaultdict(list)
    for module, tree in modules().items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                where[node.name].append(module)
    assert {name: modules for name, modules in where.items() if len(modules) > 1} == {}


def test_no_fraction_reads_text() -> None:
    """quicktions has a byte of the whole interpreter's written over by text of one character
    (`drillgen.drill.bars.exact`): mypy refuses that in the program, and this in its tests, too."""
    rooms = (HOUSE, Path(__file__).parent, HOUSE.parent / "benchmarks")
    texts = {file: file.read_text("utf-8") for room in rooms for file in room.rglob("*.py")}
    ours = [file for file, text in texts.items() if "from quicktions import" in text]
    assert len(ours) > 50
    assert [file for file in ours if re.search(r"Fraction\((f?[\"']|str\()", texts[file])] == []
