"""The command in a process of its own, quickly: forked from one that has all of it imported."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

_FORKS = multiprocessing.get_context("forkserver")
_FORKS.set_forkserver_preload(
    ["drillgen.cli", "drillgen.pack.build", "drillgen.pack.recording", "drillgen.sound.render",
     "drillgen.page.html", "drillgen.sheet.sheets", "drillgen.performance"]
)  # fmt: skip
PATIENCE = 120.0  # seconds: longer is a hang, on a busy machine too


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    code: int  # negative: by that signal
    said: str  # on both outputs

    def in_order(self) -> bool:
        """Done, or refused in words."""
        words = "Traceback" not in self.said and "Error:" not in self.said.split("\n")[0]
        return self.code == 0 or (self.code == 2 and bool(self.said.strip()) and words)


def command(*arguments: str | Path, env: Mapping[str, str]) -> Ended:
    """Run `drillgen`; a hang is an AssertionError."""
    with tempfile.NamedTemporaryFile() as out:
        own = (tuple(map(str, arguments)), dict(env), out.name)
        process = _FORKS.Process(target=_child, args=own)
        process.start()
        process.join(PATIENCE)
        if process.is_alive():
            process.kill()
            process.join()
            raise AssertionError(f"it hangs: {arguments}")
        said = Path(out.name).read_text("utf-8", errors="replace")
        return Ended(process.exitcode or 0, said)


def _child(arguments: tuple[str, ...], env: dict[str, str], out: str) -> None:
    signal.signal(signal.SIGINT, signal.default_int_handler)
    os.environ.update(env)
    target = os.open(out, os.O_WRONLY | os.O_APPEND)
    os.dup2(target, 1)
    os.dup2(target, 2)
    sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
    sys.stderr = os.fdopen(2, "w", encoding="utf-8", closefd=False)
    from drillgen.cli import main

    main(list(arguments))


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """AssertionError where a block takes more than that of the processor's time: it hangs."""

    def hangs(number: int, frame: FrameType | None) -> None:
        raise AssertionError(f"it hangs: more than {seconds:g} s")

    before = signal.signal(signal.SIGVTALRM, hangs)
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)
