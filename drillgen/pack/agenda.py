"""In which order tasks are done: each as soon as what it needs is there, on whatever core is free.

Values come first, so that whoever asks for what cannot be played hears of it soon.  Of what is made
of them, the first track comes first, which can be heard at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from drillgen.pack.drills import PAGE_SECTION, TRACK_SECTION
from drillgen.pack.tasks import PackTask

_PLAYED = (TRACK_SECTION, PAGE_SECTION)  # what needs notes rendered


class Agenda:
    """Some tasks and all that they need, each once."""

    def __init__(self, tasks: Sequence[PackTask], notes: PackTask | None = None) -> None:
        """`notes`: the task of all tracks' notes, where these are rendered before the tracks."""
        needed: dict[str, PackTask] = {}
        _gather(tasks, needed)
        values = sorted(needed.values(), key=_depth)
        self._notes = notes
        self._values = {task.key for task in values}
        self._products = {task.key for task in tasks}
        self._waiting = [*values, *([notes] if notes else []), *_in_turn(tasks)]
        self.tasks = tuple(self._waiting)

    @property
    def waiting(self) -> bool:
        """Whether something has not been begun."""
        return bool(self._waiting)

    @property
    def valued(self) -> bool:
        """Whether all values are there that can be, the rendered notes apart."""
        return not self._values

    @property
    def products(self) -> int:
        """How much that belongs into the pack has not ended."""
        return len(self._products)

    def next(self) -> PackTask | None:
        """What is to be begun now; None where all that is left waits for something."""
        ready = next((task for task in self._waiting if self._is_ready(task)), None)
        if ready is not None:
            self._waiting.remove(ready)
        return ready

    def ended(self, task: PackTask) -> None:
        """A task has ended, well or not."""
        self._values.discard(task.key)
        self._products.discard(task.key)
        if self._notes is not None and task.key == self._notes.key:
            self._notes = None

    def _is_ready(self, task: PackTask) -> bool:
        held_back = self._notes is not None and task.section in _PLAYED
        return not held_back and all(need.key not in self._values for need in task.needs)


def _gather(tasks: Sequence[PackTask], found: dict[str, PackTask]) -> None:
    for task in tasks:
        for need in task.needs:
            found.setdefault(need.key, need)
        _gather(task.needs, found)


def _depth(task: PackTask) -> int:
    return 1 + max(map(_depth, task.needs), default=0)


def _in_turn(tasks: Sequence[PackTask]) -> Iterator[PackTask]:
    """Drill after drill.  After the first track, which can be heard at once, what takes long: no
    process shall be left with that alone at the end."""
    whole = [task for task in tasks if not task.folder]
    for folder in dict.fromkeys(task.folder for task in tasks if task.folder):
        own = [task for task in tasks if task.folder == folder]
        tracks = [task for task in own if task.section == TRACK_SECTION]
        others = [task for task in own if task.section != TRACK_SECTION]
        yield from tracks[:1]
        yield from whole
        whole = []
        yield from sorted(others, key=lambda task: -task.weight)
        yield from tracks[1:]
    yield from whole
