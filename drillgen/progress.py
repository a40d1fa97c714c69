"""How far a long piece of work is, for a person at a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import click


class ProgressBar:
    """A progress bar on standard error, where that is a terminal."""

    def __init__(self, quiet: bool) -> None:
        self._bar = (
            None
            if quiet or not sys.stderr.isatty()
            else click.progressbar(
                length=1000,
                file=sys.stderr,
                show_pos=False,
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
        if self._bar is not None:
            self._bar.update(max(round(done * 1000) - self._bar.pos, 0), what)
