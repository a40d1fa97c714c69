"""What a person is told, and the signals that end a command in order.

Plain words, no traceback.

Remarks are what a person is told though nothing is refused, and though no result depends on it:
that a cache was damaged, say.  Kept until somebody asks, each once.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from types import FrameType


class DrillgenError(Exception):
    """Something in the input or on this machine that the person can put right.

    `str(error)` is what they read.
    """

    exit_code = 2


def reason(error: OSError) -> str:
    """What the system says, without its number."""
    return (error.strerror or str(error)).lower()


def counted(count: int, one: str, more: str = "") -> str:
    """`1 track`, `2 tracks`; `2 passes` where more of them are called so."""
    return f"{count} {one if count == 1 else more or one + 's'}"


def whole_seconds(seconds: float) -> int:
    """Rounded; a half, which many tracks end on, alike in whatever order it was added up."""
    return round(round(abs(seconds), 3))


def clock(seconds: float) -> str:
    """`1:05`, from an hour on `1:00:05`; `-0:02` before the track's beginning."""
    whole = whole_seconds(seconds)
    hours, minutes = divmod(whole // 60, 60)
    shown = f"{hours}:{minutes:02d}" if hours else f"{minutes}"
    return f"{'-' if seconds < 0 and whole else ''}{shown}:{whole % 60:02d}"


class FeelError(DrillgenError):
    """A feel's file cannot be played; the message names the file and says what is wrong."""


# The one error that the sound room raises for a person: a plain sentence, no traceback wanted.


class SoundError(DrillgenError):
    """Sound cannot be made; the message says why, and what to do, in one sentence."""


class AudioError(DrillgenError):
    """An audio file cannot be written; the message says why."""


def unwritable(target: object, error: OSError) -> AudioError:
    """The error for a file that the system does not let us write."""
    return AudioError(f"{target} cannot be written: {reason(error)}.")


_said: dict[str, None] = {}


def remark(text: str) -> None:
    """Have something told, by whoever asks next."""
    _said[text] = None


def taken_remarks() -> tuple[str, ...]:
    """What is to be told, which is then told."""
    texts = tuple(_said)
    for text in texts:
        _said.pop(text, None)
    return texts


# A shutdown, `kill` or a batch system sends TERM; a terminal that is closed sends HUP (POSIX).
ENDINGS = tuple(
    getattr(signal, name) for name in ("SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)
)
_A_LITTLE = 0.05  # seconds
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
    """From now on, such a signal and Ctrl-C are raised as an `Ending`, unless they are ignored (as
    by `nohup`)."""
    if not _may_catch():
        return
    for number in (signal.SIGINT, *ENDINGS):
        if signal.getsignal(number) in (signal.SIG_DFL, signal.default_int_handler):
            signal.signal(number, _end)
    sys.unraisablehook = partial(_again, sys.unraisablehook)


def _may_catch() -> bool:
    return threading.current_thread() is threading.main_thread()


_holding = 0  # blocks within each other
_came: list[int] = []  # signals that came meanwhile
_raised: list[int] = []


def _end(number: int, frame: FrameType | None) -> None:
    del frame
    if _holding:
        _came.append(number)
    else:
        _raised.append(number)
        raise Ending(number)


def ending_behind(error: Exception) -> Ending:
    """The signal that a library made an error of its own of, as pydantic does while its models are
    built.  Raises the error where no signal came."""
    if not _raised:
        raise error
    return Ending(_raised[-1])


def _again(
    others: Callable[[sys.UnraisableHookArgs], object], unraisable: sys.UnraisableHookArgs
) -> None:
    """A signal that came where Python lets no error out (beside a fork, while an object is done
    with) comes once more, a little later."""
    error = unraisable.exc_value
    if not isinstance(error, Ending):
        others(unraisable)
        return
    number = error.exit_code - _AS_SHELLS
    later = threading.Timer(_A_LITTLE, os.kill, (os.getpid(), number))
    later.daemon = True
    later.start()


@contextmanager
def held_back() -> Iterator[None]:
    """Signals wait until this block ends, which must be short.

    For steps that belong together.  Also `shutil.rmtree` closes a file twice, and raises an OSError
    for it, where a signal is raised at the wrong moment (Python 3.11).
    """
    global _holding
    if not _may_catch():
        yield
        return
    _holding += 1
    try:
        yield
    finally:
        _holding -= 1
        if _came and not _holding:
            number = _came[0]
            _came.clear()
            raise Ending(number)
