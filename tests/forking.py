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
import time
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any, NoReturn

LOADED = (
    *("drillgen.cli", "drillgen.pack.build", "drillgen.pack.workers", "drillgen.sound.render"),
    *("drillgen.arrange", "drillgen.midi", "drillgen.pack.recording", "drillgen.take.hear_files"),
    *("drillgen.sheet.sheets", "drillgen.sheet.svg", "drillgen.sheet.pdf", "drillgen.page.html"),
    *("numpy", "numpy.fft", "numpy.random", "verovio", "typst", "av", "lameenc", "mido"),
)


def run(
    arguments: list[str],
    folder: Path | None = None,
    *,
    program: str = "",
    more: Mapping[str, str] | None = None,
) -> subprocess.CompletedProcess[str]:
    """`drillgen ARGUMENTS` in a folder, with the environment as it is now and some more; or a
    program in Python with these arguments."""
    if not hasattr(os, "fork"):
        return cold(arguments, folder, program=program, more=more)
    with tempfile.TemporaryDirectory() as said:
        out, err = (Path(said) / name for name in ("stdout", "stderr"))
        code = forked(arguments, out, err, folder=folder, more=more, program=program)
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
    program: str = "",
) -> int:
    """How the command ends, negative where by a signal; what it says is added to two files, which
    may be one.  `more` goes into its environment.  After `patience` seconds, where there are any,
    SIGALRM ends it.  With `program`, that is run, in Python, instead of the command."""
    return _asked(
        arguments=arguments,
        folder=str(folder or Path.cwd()),
        environment=_environment() | (more or {}),
        files=[str(out), str(err)],
        patience=patience,
        program=program,
    )


class Begun:
    """`drillgen ARGUMENTS`, running; what it says is kept in two files of a folder."""

    def __init__(
        self,
        arguments: list[str],
        said: Path,
        *,
        folder: Path | None = None,
        more: Mapping[str, str] | None = None,
    ) -> None:
        self._files = [said / "stdout", said / "stderr"]
        self._ended = said / "ended"
        self.returncode: int | None = None
        self.pid = _asked(
            arguments=arguments,
            folder=str(folder or Path.cwd()),
            environment=_environment() | (more or {}),
            files=list(map(str, self._files)),
            patience=0,
            program="",
            ended=str(self._ended),
        )

    def poll(self) -> int | None:
        """How it has ended, negative where by a signal; None while it runs."""
        if self.returncode is None and self._ended.exists():
            self.returncode = int(self._ended.read_text())
        return self.returncode

    def wait(self) -> int:
        while (code := self.poll()) is None:
            time.sleep(0.005)
        return code

    def communicate(self) -> tuple[str, str]:
        """What it has said, when it has ended."""
        self.wait()
        return self.said()

    def said(self) -> tuple[str, str]:
        """What it has said so far."""
        out, err = (file.read_text("utf-8") if file.exists() else "" for file in self._files)
        return out, err

    def send_signal(self, number: int) -> None:
        """As to a process that is waited for: nothing where it has ended."""
        if self.poll() is None:
            with suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


def _asked(**asked: Any) -> int:
    """The number that the process which is forked answers with."""
    process = _forking(os.getpid())
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(json.dumps(asked) + "\n")
    process.stdin.flush()
    return int(process.stdout.readline())


def cold(
    arguments: list[str],
    folder: Path | None = None,
    *,
    program: str = "",
    more: Mapping[str, str] | None = None,
) -> subprocess.CompletedProcess[str]:
    """The same by a Python that is started for it."""
    return subprocess.run(
        [sys.executable, *(("-c", program) if program else ("-m", "drillgen")), *arguments],
        capture_output=True,
        text=True,
        cwd=folder,
        check=False,
        encoding="utf-8",
        env=_environment() | (more or {}),
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


def _serve() -> tuple[str, list[str]] | None:
    """In a fork the program that it is to run, and its arguments; None when nobody asks any
    more."""
    for line in sys.stdin:
        asked = json.loads(line)
        child = os.fork()
        if child == 0:
            if "ended" in asked and (begun := os.fork()):
                _bury(begun, Path(asked["ended"]))
            return _become(asked)
        if "ended" not in asked:
            print(_code_of(child), flush=True)
    return None


def _bury(begun: int, ended: Path) -> NoReturn:
    """Tell a process's number, wait for it, and write down how it ended."""
    print(begun, flush=True)
    part = ended.with_suffix(".part")
    part.write_text(str(_code_of(begun)))
    part.replace(ended)
    os._exit(0)


def _code_of(child: int) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def _read_feels() -> None:
    """The program's own files that every command reads."""
    from drillgen.drill.band import feel_file, playable_feels

    for feel in playable_feels():
        feel_file(feel)


def _become(asked: Mapping[str, Any]) -> tuple[str, list[str]]:
    """This process as a person's shell would start it."""
    signal.signal(signal.SIGHUP, signal.SIG_DFL)  # which is ignored where tests are run by nohup
    signal.alarm(asked["patience"])
    os.environ.clear()
    os.environ.update(asked["environment"])
    os.chdir(asked["folder"])
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    for number, file in enumerate(asked["files"], 1):
        os.dup2(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600), number)
    return asked["program"], list(asked["arguments"])


if __name__ == "__main__":
    for module in LOADED:
        with suppress(ImportError):
            import_module(module)
    _read_feels()
    gc.freeze()  # a fork does not look through, and so not copy, what is there before it
    forked_to = _serve()
    if forked_to is not None:
        program, arguments = forked_to
        sys.argv = ["-c" if program else "drillgen", *arguments]
        if program:
            exec(compile(program, "<string>", "exec"), {"__name__": "__main__"})
        else:
            from drillgen.cli import main

            main(arguments, prog_name="drillgen")
