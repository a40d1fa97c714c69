"""The command in a process of its own, and how long anything may take."""

from __future__ import annotations

import signal
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from tests import forking

PATIENCE = 120  # seconds: longer is a hang, on a busy machine too


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
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "said"
        given = [str(argument) for argument in arguments]
        code = forking.forked(given, out, out, more=env, patience=PATIENCE)
        if code == -signal.SIGALRM:
            raise AssertionError(f"it hangs: {arguments}")
        return Ended(code, out.read_text("utf-8", errors="replace"))


@contextmanager
def shown_with(text: str) -> Iterator[None]:
    """Whatever is raised in a block becomes an AssertionError that shows a text, too."""
    try:
        yield
    except AssertionError as error:
        raise AssertionError(f"{error}\n{text}") from error
    except Exception as error:
        raise AssertionError(f"{type(error).__name__} {error}\n{text}") from error


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
