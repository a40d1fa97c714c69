"""How far a build is: finished tasks and shares of those at work, by weight."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable

from drillgen.pack.tasks import Task

Progress = Callable[[float, str], None]  # done so far (0 to 1), what is being done


class Meter:
    """Hears from any thread."""

    def __init__(self, progress: Progress | None) -> None:
        self._progress = progress
        self._lock = threading.Lock()
        self._total = self._done = self._said = 0.0
        self._shares: dict[str, float] = {}

    def expect(self, tasks: Iterable[Task]) -> None:
        """Count tasks in that are still to be done."""
        self._total += sum(task.weight for task in tasks)

    def share(self, task: Task, done: float) -> None:
        """A task is `done` (0 to 1)."""
        with self._lock:
            self._shares[task.address] = done * task.weight
            self._say(task.label)

    def ended(self, task: Task) -> None:
        """A task has ended."""
        with self._lock:
            self._shares.pop(task.address, None)
            self._done += task.weight
            self._say(task.label)

    def _say(self, what: str) -> None:
        if self._progress is not None and self._total:
            done = (self._done + sum(self._shares.values())) / self._total
            self._said = max(self._said, min(done, 1.0))
            self._progress(self._said, what)
