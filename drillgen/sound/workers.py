"""Threads that render notes, each with a synthesiser of its own, started when first needed."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from drillgen.sound.closing import Closing
from drillgen.sound.synth import Synth

Progress = Callable[[float, str], None]
Task = TypeVar("Task")
Result = TypeVar("Result")


class Workers(Closing):
    """Use it in a `with` block."""

    def __init__(self, soundfont: Path, jobs: int | None = None) -> None:
        self._soundfont = soundfont
        self._jobs = jobs or os.cpu_count() or 1
        self._own = threading.local()
        self._synths: list[Synth] = []
        self._pool: ThreadPoolExecutor | None = None

    def close(self) -> None:
        """Stop, and free the synthesisers."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
        for synth in self._synths:
            synth.close()

    @property
    def started(self) -> bool:
        return self._pool is not None

    def run(
        self,
        tasks: Sequence[Task],
        work: Callable[[Synth, Task], Result],
        progress: Progress | None = None,
        what: str = "",
    ) -> list[Result]:
        """`work` on each task, results in the tasks' order.  The first error is raised."""
        if not tasks:
            return []
        if self._pool is None:
            self._pool = ThreadPoolExecutor(self._jobs)
        results = []
        for result in self._pool.map(lambda task: work(self._synth(), task), tasks):
            results.append(result)
            if progress is not None:
                progress(len(results) / len(tasks), what)
        return results

    def _synth(self) -> Synth:
        if not hasattr(self._own, "synth"):
            self._own.synth = Synth(self._soundfont)
            self._synths.append(self._own.synth)
        synth: Synth = self._own.synth
        return synth
