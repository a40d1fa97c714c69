"""Write the lock files: every package that `make demo` and `make test` install, with its version
and the SHA-256 of each of its files, for every system and Python alike.

    python tools/lock.py python3.11 python3.13

The first Python is the oldest that is supported; what a newer one needs besides is marked as such.
pip-tools (a virtual environment of its own for each Python) asks the package index for the hashes.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOCKS: dict[str, list[str]] = {
    "run": ["--all-build-deps"],
    "test": ["--extra", "test", "--extra", "lint"],
}
_HOW = [
    *("--quiet", "--generate-hashes", "--strip-extras", "--no-header", "--no-annotate"),
    *("--no-emit-index-url", "--no-emit-find-links", "--allow-unsafe"),
]
_BLOCK = re.compile(r"^([a-z0-9-]+)(==[^\n]*?)( \\\n(?:    --hash=[^\n]*\n?)+)", re.MULTILINE)


def main(pythons: list[str]) -> None:
    """Write every lock file."""
    with tempfile.TemporaryDirectory() as folder:
        for number, python in enumerate(pythons):
            compiler = _compiler(python, Path(folder) / str(number))
            version = _version(python)
            for name, options in LOCKS.items():
                _lock(ROOT / "locked" / f"{name}.txt", compiler, options, version if number else "")


def _compiler(python: str, place: Path) -> list[str]:
    subprocess.run([python, "-m", "venv", place], check=True)
    own = str(place / "bin" / "python")
    subprocess.run([own, "-m", "pip", "install", "--quiet", "pip-tools"], check=True)
    return [own, "-m", "piptools", "compile", *_HOW]


def _version(python: str) -> str:
    code = "import sys; print('%d.%d' % sys.version_info[:2])"
    return subprocess.run(
        [python, "-c", code], check=True, capture_output=True, text=True
    ).stdout.strip()


def _lock(file: Path, compiler: list[str], options: list[str], newer: str) -> None:
    """Write a lock file; or, for a newer Python, add what it needs besides."""
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "lock.txt"
        known = [option for lock in _known(file, newer) for option in ("--constraint", str(lock))]
        subprocess.run(
            [*compiler, *options, *known, "--output-file", made, "pyproject.toml"],
            check=True,
            cwd=ROOT,
        )
        found = {name: (pin, hashes) for name, pin, hashes in _BLOCK.findall(made.read_text())}
    marks = {}
    if newer:
        own = {name: (pin, hashes) for name, pin, hashes in _BLOCK.findall(file.read_text())}
        marks = dict.fromkeys(found.keys() - own.keys(), f' ; python_version >= "{newer}"')
        found |= own
    file.write_text("".join(_written(name, *found[name], marks) for name in sorted(found)))


def _known(file: Path, newer: str) -> list[Path]:
    """Lock files that must not be contradicted."""
    return [file] if newer else [each for each in [file.with_name("run.txt")] if each != file]


def _written(name: str, pin: str, hashes: str, marks: dict[str, str]) -> str:
    return f"{name}{pin}{marks.get(name, '')}{hashes.rstrip()}\n"


if __name__ == "__main__":
    main(sys.argv[1:] or [sys.executable])
