"""Who does the tasks: this process, or worker processes on this machine.

A crew takes tasks and hands back how each ended, in the order in which they end.  Each worker
process is looked after by a thread of its own, which knows what the worker is doing: when one dies,
exactly one task has failed, and the next one gets a new worker.
"""

from __future__ import annotations

import contextlib
import json
import pickle
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from drillgen.pack.tasks import Failure, Outcome, Place, Result, Task, done, failure
from drillgen.pack.worker import read, request, send

Shares = Callable[[Task, float], None]  # hears how far a task is, from any thread
_START = "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
_START += "from drillgen.pack.worker import main; main()"
_LOOK_UP = 0.5  # seconds: on Windows only then Ctrl-C is heard


class Crew(Protocol):
    """Does tasks.  Use it in a `with` block: leaving it stops whatever is still being done."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...

    def work(
        self, tasks: Sequence[Task], folder: Callable[[Task], Path], shares: Shares
    ) -> Iterator[Outcome]:
        """Do the tasks, each in its own empty folder."""


class Alone:
    """Does one task after the other in this process; nothing has to be started."""

    def __init__(self, jobs: int | None) -> None:
        self._jobs = jobs

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *details: object) -> None:
        pass

    def work(
        self, tasks: Sequence[Task], folder: Callable[[Task], Path], shares: Shares
    ) -> Iterator[Outcome]:
        for task in tasks:
            place = Place(folder(task), self._jobs, partial(shares, task))
            yield Outcome(task, done(task, place))


class Processes:
    """Worker processes, started when there is something to do."""

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._pool = ThreadPoolExecutor(jobs)
        self._own = threading.local()
        self._workers: list[_Worker] = []
        self._stopped = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *details: object) -> None:
        self._stopped = True
        for worker in self._workers:
            worker.kill()
        self._pool.shutdown(cancel_futures=True)
        for worker in self._workers:
            worker.bury()

    def work(
        self, tasks: Sequence[Task], folder: Callable[[Task], Path], shares: Shares
    ) -> Iterator[Outcome]:
        ended: queue.SimpleQueue[Outcome] = queue.SimpleQueue()

        def look_after(task: Task, threads: int) -> None:
            try:
                message = request(task, folder(task), threads)
                result = self._worker().do(message, partial(shares, task))
            except Exception as error:
                result = failure(error)
            ended.put(Outcome(task, result))

        last = len(tasks) % self._jobs  # they leave some workers idle: each gets more threads
        for number, task in enumerate(tasks, 1):
            threads = self._jobs // last if number > len(tasks) - last else 1
            self._pool.submit(look_after, task, threads)
        for _ in tasks:
            yield _next(ended)

    def _worker(self) -> _Worker:
        """This thread's worker; a new one where there is none, or it died."""
        worker: _Worker | None = getattr(self._own, "worker", None)
        if worker is None or not worker.lives:
            worker = self._own.worker = _Worker()
            self._workers.append(worker)
            if self._stopped:
                worker.kill()
        return worker


def _next(ended: queue.SimpleQueue[Outcome]) -> Outcome:
    while True:
        with contextlib.suppress(queue.Empty):
            return ended.get(timeout=_LOOK_UP)


class _Worker:
    """One worker process, from the outside."""

    def __init__(self) -> None:
        # In a group of its own, so that Ctrl-C reaches the build alone, which then stops it.
        self._process = subprocess.Popen(
            [sys.executable, "-c", _START, json.dumps(sys.path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            process_group=None if sys.platform == "win32" else 0,
        )

    @property
    def lives(self) -> bool:
        return self._process.poll() is None

    def do(self, message: bytes, share: Callable[[float], None]) -> Result | Failure:
        assert self._process.stdin is not None and self._process.stdout is not None
        with contextlib.suppress(OSError):  # it has died: there is nothing to read either
            send(self._process.stdin, message)
            while (reply := read(self._process.stdout)) is not None:
                kind, value = pickle.loads(reply)
                if kind == "ended":
                    ended: Result | Failure = value
                    return ended
                share(value)
        return Failure("program", _death(self._process.wait()))

    def kill(self) -> None:
        self._process.kill()

    def bury(self) -> None:
        """Wait until it is gone, and let its pipes go."""
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            with contextlib.suppress(OSError):
                assert pipe is not None
                pipe.close()


def _death(code: int) -> str:
    """How a process ended, for a person."""
    if code >= 0:
        return f"its worker stopped of itself (exit code {code})"
    name = signal.Signals(-code).name if -code in set(signal.Signals) else f"signal {-code}"
    hint = ", which the system does where memory runs out" if name == "SIGKILL" else ""
    return f"its worker was ended by {name}{hint}"
