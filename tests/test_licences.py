"""drillgen is under the MIT licence: what it stands on must let it be."""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import distribution, packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
GPL = re.compile(r"(?<!L)\bA?GPL|(?<!Lesser )(?<!Library or Lesser )\bGeneral Public License")
ROW = re.compile(r"^\| (?P<name>[\w.-]+) \| (?P<licence>[^|]+) \| [\d.]+ \| .+ \|$", re.M)

# Every module, imported as it is, and the names of what came with it.
IMPORT_ALL = """
import json, pkgutil, sys
from importlib import import_module
before = set(sys.modules)
import drillgen
names = [found.name for found in pkgutil.walk_packages(drillgen.__path__, "drillgen.")]
for name in names:
    if not name.endswith("__main__"):
        import_module(name)
print(json.dumps([names, sorted({name.partition(".")[0] for name in set(sys.modules) - before})]))
"""


def statements(package: str) -> list[str]:
    """What a package's metadata says of its licence (Core metadata 2.4, PEP 639: an expression of
    SPDX; before that a free text, whose first line names it, and classifiers)."""
    metadata = distribution(package).metadata
    if expression := metadata.get("License-Expression"):
        return [expression]
    named = (metadata.get("License") or "").strip().splitlines()[:1]
    classifiers = metadata.get_all("Classifier") or []
    return named + [text for text in classifiers if text.startswith("License ::")]


def only_gpl(statement: str) -> bool:
    """Whether nothing but the GPL (or AGPL) is offered; the LGPL is another."""
    return all(GPL.search(choice) for choice in re.split(r"\s+OR\s+", statement.strip("()")))


def needed(requirements: list[str]) -> set[str]:
    """The requirements of this machine, and what they need in turn, without extras."""
    found: set[str] = set()
    waiting = [Requirement(text) for text in requirements]
    while waiting:
        requirement = waiting.pop()
        name = canonicalize_name(requirement.name)
        here = requirement.marker is None or requirement.marker.evaluate({"extra": ""})
        if here and name not in found:
            found.add(name)
            waiting += map(Requirement, distribution(name).requires or ())
    return found


RUNTIME = needed(PROJECT["dependencies"])


@pytest.mark.parametrize(
    ("statement", "forbidden"),
    [
        ("GPL-2.0-or-later", True),
        ("AGPL-3.0-only", True),
        ("MIT AND GPL-3.0-only", True),
        ("License :: OSI Approved :: GNU General Public License v3 (GPLv3)", True),
        ("License :: OSI Approved :: GNU Affero General Public License v3", True),
        ("LGPL-3.0-or-later", False),
        ("LGPL v2.1", False),
        ("License :: OSI Approved :: GNU Library or Lesser General Public License (LGPL)", False),
        ("License :: OSI Approved :: GNU Lesser General Public License v3 (LGPLv3)", False),
        ("GPL-2.0-only OR MIT", False),
        ("BSD-3-Clause", False),
    ],
)
def test_what_counts_as_gpl(statement: str, forbidden: bool) -> None:
    """The identifiers of the SPDX licence list and the classifiers of PyPI are told apart."""
    assert only_gpl(statement) == forbidden


@pytest.mark.parametrize("package", sorted(RUNTIME))
def test_no_gpl_is_needed(package: str) -> None:
    """Each package that drillgen needs at run time, or that such a one needs, states a licence, and
    that is not the GPL."""
    said = statements(package)
    assert said and not any(map(only_gpl, said)), f"{package}: {said}"


def test_all_is_imported_from_what_is_needed() -> None:
    """All modules of drillgen together load nothing but Python, themselves and what is needed."""
    done = subprocess.run(
        [sys.executable, "-c", IMPORT_ALL], capture_output=True, text=True, check=True, cwd=ROOT
    )
    modules, loaded = json.loads(done.stdout)
    assert len(modules) > 80
    owners = packages_distributions()
    others = {name for name in loaded if name not in sys.stdlib_module_names and name in owners}
    packages = {canonicalize_name(owner) for name in others for owner in owners[name]}
    assert {"click", "numpy", "pydantic"} <= packages <= RUNTIME | {"drillgen"}


def imported(path: Path) -> Iterator[str]:
    """Every package that a file names in an import, be it inside a function."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.partition(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module.partition(".")[0]


def test_no_import_of_what_is_not_asked_for() -> None:
    """No file of drillgen imports, not even in a function, what neither its dependencies bring nor
    `drillgen[cluster]` names."""
    cluster = PROJECT["optional-dependencies"]["cluster"]
    asked_for = RUNTIME | {canonicalize_name(Requirement(text).name) for text in cluster}
    owners = packages_distributions()
    names = {name for path in (ROOT / "drillgen").rglob("*.py") for name in imported(path)}
    for name in sorted(names - set(sys.stdlib_module_names) - {"drillgen"}):
        assert {canonicalize_name(owner) for owner in owners[name]} & asked_for, name


def test_the_table_lists_the_dependencies() -> None:
    """The table in DEVELOPERS.md has a row for each runtime dependency, with the licence that its
    metadata states, and no other."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    rows = {row["name"]: row["licence"] for row in ROW.finditer(text)}
    assert list(rows) == [Requirement(named).name for named in PROJECT["dependencies"]]
    for name, licence in rows.items():
        assert any(licence in said for said in statements(name)), f"{name}: {statements(name)}"
