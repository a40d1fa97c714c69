"""The command in a process of its own, forked from one that has the program's modules loaded.

A test suite runs the command hundreds of times, and half a second of each is imports.  What is
loaded is loaded and nothing more: no command ran in the process that is forked, and each has its
own arguments, folder, environment and output.  How the command starts is tested by `test_cli.py`,
which starts Python itself (`cold`).
"""

from __future__ import annotations

import gc
import json
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

LOADED = (
    *("drillgen.cli", "drillgen.pack.build", "drillgen.pack.workers", "drillgen.sound.render"),
    *("drillgen.arrange", "drillgen.midi", "drillgen.pack.recording", "drillgen.take.hear_files"),
    *("drillgen.sheet.sheets", "drillgen.sheet.svg", "drillgen.sheet.pdf", "drillgen.page.html"),
    *("numpy", "numpy.fft", "numpy.random", "verovio", "typst", "av", "lameenc", "mido"),
)


def run(arguments: list[str], folder: Path | None = None) -> subprocess.CompletedProcess[str]:
    """`drillgen ARGUMENTS` in a folder, with the environment as it is now."""
    if not hasattr(os, "fork"):
        return cold(arguments, folder)
    with tempfile.TemporaryDirectory() as said:
        out, err = (Path(said) / name for name in ("stdout", "stderr"))
        code = forked(arguments, out, err, folder=folder)
        texts = [file.read_text("utf-8") for file in (out, err)]
    return subprocess.CompletedProcess(arguments, code, *texts)


def forked(
    arguments: list[str],
    out: Path,
    err: Path,
    *,
    folder: Path | None = None,
    more: Mapping[str, str] | None = None,
    patience: int = 0,
) -> int:
    """How the command ends, negative where by a signal; what it says is added to two files, which
    may be one.  `more` goes into its environment.  After `patience` seconds, where there are any,
    SIGALRM ends it."""
    process = _forking(os.getpid())
    asked = {
        "arguments": arguments,
        "folder": str(folder or Path.cwd()),
        "environment": _environment() | (more or {}),
        "files": [str(out), str(err)],
        "patience": patience,
    }
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(json.dumps(asked) + "\n")
    process.stdin.flush()
    return int(process.stdout.readline())


def cold(arguments: list[str], folder: Path | None = None) -> subprocess.CompletedProcess[str]:
    """The same by a Python that is started for it."""
    return subprocess.run(
        [sys.executable, "-m", "drillgen", *arguments],
        capture_output=True,
        text=True,
        cwd=folder,
        check=False,
        encoding="utf-8",
        env=_environment(),
    )


def _environment() -> dict[str, str]:
    return os.environ | {"PYTHONIOENCODING": "utf-8"}


@cache
def _forking(_: int) -> subprocess.Popen[str]:
    """The process that is forked, one for each that asks; it ends with who asks."""
    return subprocess.Popen(
        [sys.executable, "-m", "tests.forking"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[1],
        env=_environment(),
    )


def _serve() -> list[str] | None:
    """In a fork the arguments that it is to run with; None when nobody asks any more."""
    for line in sys.stdin:
        asked = json.loads(line)
        child = os.fork()
        if child == 0:
            return _become(asked)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        print(code, flush=True)
    return None


def _read_feels() -> None:
    """The program's own files that every command reads."""
    from drillgen.drill.band import feel_file, playable_feels

    for feel in playable_feels():
        feel_file(feel)


def _become(asked: Mapping[str, Any]) -> list[str]:
    """This process as a person's shell would start it."""
    signal.alarm(asked["patience"])
    os.environ.clear()
    os.environ.update(asked["environment"])
    os.chdir(asked["folder"])
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    for number, file in enumerate(asked["files"], 1):
        os.dup2(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600), number)
    return list(asked["arguments"])


if __name__ == "__main__":
    for module in LOADED:
        with suppress(ImportError):
            import_module(module)
    _read_feels()
    gc.freeze()  # a fork does not look through, and so not copy, what is there before it
    arguments = _serve()
    if arguments is not None:
        sys.argv = ["drillgen", *arguments]
        from drillgen.cli import main

        main(arguments, prog_name="drillgen")
