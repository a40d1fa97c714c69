"""What `make demo` and `make test` install: pinned, and nothing of a person's removed for it."""

from __future__ import annotations

import hashlib
import os
import re
import shlex
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, requires
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="a shell script")
_LINE = re.compile(r"^([A-Za-z0-9._-]+)==(\S+)(?: ; ([^\\\n]+?))? \\$")


def locked(name: str) -> dict[str, tuple[Version, str]]:
    """Of a lock file: each package's version and its marker."""
    found = {}
    for line in (ROOT / "locked" / f"{name}.txt").read_text("utf-8").splitlines():
        if line.startswith("    --hash="):
            assert re.fullmatch(r"    --hash=sha256:[0-9a-f]{64}( \\)?", line), line
            continue
        row = _LINE.fullmatch(line)
        assert row is not None, line
        found[canonicalize_name(row[1])] = (Version(row[2]), row[3] or "")
    return found


def asked(name: str) -> Iterator[Requirement]:
    """What pyproject.toml asks for."""
    extras = PROJECT["optional-dependencies"]
    own = [] if name == "run" else [*extras["test"], *extras["lint"]]
    yield from map(Requirement, [*PROJECT["dependencies"], *own])


PLACES = [
    {
        "python_version": python,
        "python_full_version": f"{python}.0",
        "sys_platform": system.lower(),
        "platform_system": system,
        "os_name": "posix",
        "extra": "",
    }
    for python in ("3.11", "3.12", "3.13")
    for system in ("Linux", "Darwin")
]


@pytest.mark.parametrize("name", ["run", "test"])
def test_everything_is_locked(name: str) -> None:
    """On Linux and macOS, with Python 3.11 to 3.13, whatever pyproject.toml asks for and all that
    this needs in turn is in the lock file, in a version that is allowed (PEP 508, by the library
    `packaging`)."""
    pins = locked(name)
    for place in PLACES:
        waiting, seen = list(asked(name)), set()
        while waiting:
            need = waiting.pop()
            if need.marker is not None and not need.marker.evaluate(place):
                continue
            own = canonicalize_name(need.name)
            assert own in pins, (name, place, str(need))
            version, marker = pins[own]
            assert need.specifier.contains(version, prereleases=True), str(need)
            assert not marker or Requirement(f"x ; {marker}").marker.evaluate(place)  # type: ignore[union-attr]
            if own not in seen:
                seen.add(own)
                waiting += _needs(need)


def _needs(need: Requirement) -> list[Requirement]:
    """What a package that is installed here needs, with the extras that are asked for."""
    try:
        listed = map(Requirement, requires(need.name) or ())
    except PackageNotFoundError:
        return []
    extras = need.extras or {""}
    return [
        each
        for each in listed
        if each.marker is None
        or "extra" not in str(each.marker)
        or any(each.marker.evaluate({"extra": extra}) for extra in extras)
    ]


def test_the_build_s_own_needs_are_locked() -> None:
    """So is what builds the package, since it is built without an environment of its own."""
    build = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["build-system"]["requires"]
    for need in map(Requirement, build):
        assert need.specifier.contains(locked("run")[canonicalize_name(need.name)][0])
    assert "editables" in locked("run")  # hatchling's, for --editable


def test_both_files_agree() -> None:
    """What both lock files have is the same in both."""
    run, test = locked("run"), locked("test")
    assert {name: run[name] for name in run.keys() & test.keys()} == {
        name: test[name] for name in run.keys() & test.keys()
    }


# Python as it is, but that environments borrow their pip: to unpack one takes most of the time.
_BORROWING = """\
#!/bin/sh
[ "$1 $2" = "-m venv" ] && set -- "$@" --without-pip --system-site-packages
exec {python} "$@"
"""


def make_venv(*arguments: str | Path, **environment: str) -> subprocess.CompletedProcess[str]:
    command = ["sh", str(ROOT / "tools" / "make_venv.sh"), *map(str, arguments)]
    surroundings = os.environ | environment
    return subprocess.run(command, capture_output=True, text=True, check=False, env=surroundings)


@POSIX
def test_a_folder_of_the_person_s_stays(tmp_path: Path) -> None:
    """Where something else has the folder's name, another program's virtual environment too, it is
    named and stays; a folder of its own, or an empty one, may be removed."""
    for name in ("papers", "other venv"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "pyvenv.cfg").write_text("home = /usr/bin\n")
    (tmp_path / "file").write_text("mine")
    (tmp_path / "papers" / "pyvenv.cfg").rename(tmp_path / "papers" / "thesis.odt")
    before = sorted(map(str, tmp_path.rglob("*")))
    for name in ("papers", "other venv", "file"):
        for arguments in ([tmp_path / name], ["--remove", tmp_path / name]):
            done = make_venv(*arguments)
            assert done.returncode == 2 and f"{name} is there already" in done.stderr
    assert sorted(map(str, tmp_path.rglob("*"))) == before
    (tmp_path / "empty").mkdir()
    python = tmp_path / "python"
    python.write_text(_BORROWING.format(python=shlex.quote(sys.executable)))
    python.chmod(0o755)
    for _ in range(2):
        assert make_venv(tmp_path / "empty", PYTHON=str(python)).returncode == 0
    assert (tmp_path / "empty" / "bin" / "python").exists()
    assert make_venv("--remove", tmp_path / "empty").returncode == 0
    assert make_venv("--remove", tmp_path / "empty").returncode == 0
    assert not (tmp_path / "empty").exists()


@POSIX
def test_a_link_is_removed_and_not_what_it_leads_to(tmp_path: Path) -> None:
    """`make clean` where the environment is a link."""
    (tmp_path / "papers").mkdir()
    (tmp_path / "papers" / "thesis.odt").write_text("mine")
    (tmp_path / "link").symlink_to(tmp_path / "papers")
    assert make_venv("--remove", tmp_path / "link").returncode == 0
    assert not (tmp_path / "link").is_symlink()
    assert (tmp_path / "papers" / "thesis.odt").read_text() == "mine"


@POSIX
def test_another_soundfont_is_not_taken(tmp_path: Path) -> None:
    """A fetched soundfont whose SHA-256 is not the pinned one is left out; the right one is the one
    that is known by that sum (hashlib is the judge)."""
    script = (ROOT / "tools" / "fetch_soundfont.sh").read_text("utf-8")
    pinned = re.search(r"^sha256=([0-9a-f]{64})$", script, re.MULTILINE)
    assert pinned is not None
    fetched = ROOT / "soundfonts" / "fetched" / "sf_GMbank.sf2"
    if fetched.exists():
        assert hashlib.sha256(fetched.read_bytes()).hexdigest() == pinned[1]
    (tmp_path / "tools").mkdir()
    (tmp_path / "tools" / "fetch_soundfont.sh").write_text(script, "utf-8")
    (tmp_path / "tools" / "fetch_deb.sh").write_text('echo false >"$2/sf_GMbank.sf2"\n', "utf-8")
    done = subprocess.run(
        ["sh", str(tmp_path / "tools" / "fetch_soundfont.sh")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "it is left out" in done.stdout
    assert not list((tmp_path / "soundfonts").rglob("*.sf2"))
