"""One build at work: every stage, by a crew that fits, whatever happens on the way."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Collection, Iterable, Iterator, Sequence

from drillgen.errors import DrillgenError
from drillgen.pack.cluster import Cluster
from drillgen.pack.crew import Alone, Crew, Processes
from drillgen.pack.files import PackError, clear
from drillgen.pack.ledger import Ledger
from drillgen.pack.meter import Meter
from drillgen.pack.rounds import rounds
from drillgen.pack.settings import Options
from drillgen.pack.site import Site
from drillgen.pack.stages import STAGES, Order
from drillgen.pack.tasks import Entry, Failure, Outcome, Task, task_folder
from drillgen.pack.tracks import SECTION

# Weight of tasks (seconds of music) up to which starting processes costs more than it gains.
_QUICK = 120.0
_TOLD = 3  # names for one reason; a reason that all share needs no list of all


class UnfinishedError(DrillgenError):
    """Some of a pack could not be made; the rest is there."""

    def __init__(self, message: str, exit_code: int) -> None:
        super().__init__(message)
        self.exit_code = exit_code


class Run:
    """A build of an order."""

    def __init__(
        self, order: Order, options: Options, site: Site, ledger: Ledger, meter: Meter
    ) -> None:
        self._order, self._options, self._site = order, options, site
        self._ledger, self._meter = ledger, meter
        self._tasks: list[Task] = []
        self._failures: list[tuple[Task, Failure]] = []
        self.made = 0  # tracks

    def tracks(self) -> list[Entry]:
        """The entries of this order's tracks."""
        return self._entries(task for task in self._tasks if task.section == SECTION)

    def warnings(self) -> tuple[str, ...]:
        """What is to be said about what was made, in this build or before."""
        found = self._entries(self._tasks)
        return tuple(dict.fromkeys(text for entry in found for text in entry.get("warnings", ())))

    def _entries(self, tasks: Iterable[Task]) -> list[Entry]:
        entries = map(self._ledger.entry, tasks)
        return [entry for entry in entries if entry is not None]

    def through(self, replaced: Collection[str]) -> None:
        """Do every stage; at the end the manifest says what is finished, whatever happened.

        `replaced`: folders of which nothing stays but what this build has made.  Raises
        UnfinishedError where something could not be made, PackError, OSError.
        """
        try:
            for stage in STAGES:
                self._do(stage(self._order, self._ledger))
        except BaseException:
            clear(self._site.making)  # first, for the disk may be full
            with contextlib.suppress(OSError):
                self._ledger.leave()
            raise
        if self._failures:
            self._ledger.leave()
            raise self._unfinished()
        self._ledger.finish(replaced)

    def _do(self, tasks: Sequence[Task]) -> None:
        missing = self._ledger.plan(tasks)
        self._tasks += tasks
        others = [task for task in missing if not task.here]
        own = [task for task in missing if task.here]
        if others:
            self._check_soundfont()
            self._with(self._crew(others), others)
        if own:
            self._with(Alone(self._options.jobs), own)

    def _check_soundfont(self) -> None:
        """Raises SoundError where it is damaged, which else every task would find out by itself."""
        from drillgen.sound.soundfont_file import check

        check(self._order.soundfont.path)

    def _crew(self, tasks: Sequence[Task]) -> Crew:
        jobs = self._options.jobs
        if self._options.cluster is not None:
            return Cluster(self._options.cluster)
        quick = jobs is None and sum(task.weight for task in tasks) < _QUICK
        workers = min(jobs or cores(), len(tasks))
        return Alone(jobs) if quick or workers < 2 else Processes(workers)

    def _with(self, crew: Crew, tasks: Sequence[Task]) -> None:
        shared = isinstance(crew, Processes)
        parts = tuple(rounds(tasks, self._site.making)) if shared else (tuple(tasks),)
        self._meter.expect(task for part in parts for task in part)
        with crew:
            for part in parts:
                for outcome in crew.work(part, self._site.room_for, self._meter.share):
                    self._meter.ended(outcome.task)
                    self._take(outcome)

    def _take(self, outcome: Outcome) -> None:
        """What a task has made goes into the pack.  What only prepares others may fail: they then
        do without it, or say themselves what is wrong."""
        task, result = outcome.task, outcome.result
        if isinstance(result, Failure):
            if result.blame == "target":
                raise PackError(f"cannot write into {self._order.pack}: {result.message}")
            if task.section:
                self._failures.append((task, result))
        elif task.section:
            made_in = task_folder(self._site.making, task)
            self._ledger.accept(task, result, made_in)
            clear(made_in)
            self.made += task.section == SECTION

    def _unfinished(self) -> UnfinishedError:
        ours = any(failure.blame == "program" for _, failure in self._failures)
        there = f"{len(self.tracks())} of {sum(t.section == SECTION for t in self._tasks)} tracks"
        said = "\n".join(f"  {line}" for line in self._complaints())
        return UnfinishedError(
            f"Not everything could be made; {self._order.pack} has {there}.\n{said}",
            1 if ours else 2,
        )

    def _complaints(self) -> Iterator[str]:
        """What failed and why, in the order in which it was asked for; one reason is told once."""
        order = {task.address: number for number, task in enumerate(self._tasks)}
        labels: dict[str, list[str]] = {}
        for task, failure in sorted(self._failures, key=lambda each: order[each[0].address]):
            labels.setdefault(failure.message, []).append(task.label)
        for message, names in labels.items():
            shown = names[:_TOLD] + ([f"{len(names) - _TOLD} more"] if len(names) > _TOLD else [])
            yield f"{', '.join(shown)}: {message}"


def cores() -> int:
    """How many cores this process may use."""
    if sys.platform == "linux":
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
