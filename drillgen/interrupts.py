"""Signals that end a command as Ctrl-C does: in order, with nothing left half-done."""

from __future__ import annotations

import signal
import threading
from types import FrameType

# A shutdown, `kill` or a batch system sends TERM; a terminal that is closed sends HUP (POSIX).
ENDINGS = tuple(
    getattr(signal, name) for name in ("SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)
)
_AS_SHELLS = 128  # exit codes: this and the signal's number


class Ending(KeyboardInterrupt):
    """A signal that ends the command."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.exit_code = _AS_SHELLS + number


def exit_code(error: KeyboardInterrupt) -> int:
    """How shells report it: 130 for Ctrl-C."""
    return error.exit_code if isinstance(error, Ending) else _AS_SHELLS + signal.SIGINT


def end_in_order() -> None:
    """From now on, such a signal is raised as an `Ending`, unless it is ignored (as by `nohup`)."""
    if threading.current_thread() is not threading.main_thread():
        return  # only there may they be caught
    for number in ENDINGS:
        if signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, _raise)


def _raise(number: int, frame: FrameType | None) -> None:
    del frame
    raise Ending(number)
