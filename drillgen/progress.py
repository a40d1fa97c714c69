"""How far a long piece of work is, and how long it will still take, for a person at a terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import Any

import click

_SURE = 0.03  # of the work: before that, how long the rest will take is anybody's guess
_SETTLED = 2.0  # seconds, likewise
_MANY = 90  # seconds: above it, minutes are told


class ProgressBar:
    """A progress bar on standard error, where that is a terminal."""

    def __init__(self, quiet: bool) -> None:
        self._began = time.monotonic()
        self._bar = (
            None
            if quiet or not sys.stderr.isatty()
            else click.progressbar(
                length=1000,
                file=sys.stderr,
                show_pos=False,
                show_eta=False,
                item_show_func=lambda what: what or "",
                label="Making the pack",
            )
        )

    def __enter__(self) -> Callable[[float, str], None]:
        if self._bar is not None:
            self._bar.__enter__()
        return self._report

    def __exit__(self, *details: Any) -> None:
        if self._bar is not None:
            self._bar.__exit__(*details)

    def _report(self, done: float, what: str) -> None:
        """`done`: by the work, not by the count, so that time can be told from it."""
        if self._bar is not None:
            left = time_left(done, time.monotonic() - self._began)
            shown = f"{left} · {what}" if left else what
            self._bar.update(max(round(done * 1000) - self._bar.pos, 0), shown)


def time_left(done: float, seconds: float) -> str:
    """How long the rest will take in words, if the share `done` took so many seconds; "" where that
    cannot be told yet, or it is done."""
    if done < _SURE or seconds < _SETTLED or done >= 1:
        return ""
    left = seconds * (1 - done) / done
    if left < 1:
        return "a moment left"
    return f"{left / 60:.0f} min left" if left > _MANY else f"{left:.0f} s left"
