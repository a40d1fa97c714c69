"""Who does the tasks: this process, worker processes on this machine, or a Dask cluster.

Workers begin a task when they are told to, and promise how it ends (`concurrent.futures`).

* Worker processes: each is looked after by a thread of its own, which knows what the worker is
  doing.  When one dies, exactly one task has failed, and the next one gets a new worker.  (In a
  `ProcessPoolExecutor` all tasks would have failed, and nobody could say which one it was.)
* The workers of a Dask scheduler that is running already need this package in the same state, and a
  soundfont with the same SHA-256.  Files come back through the scheduler as bytes.  A task whose
  worker dies is given to another one.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import queue
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import IO, TYPE_CHECKING, Any, ClassVar, Protocol, Self

from drillgen.errors import ENDINGS, DrillgenError
from drillgen.pack.inside import is_name
from drillgen.pack.tasks import Failure, PackTask, TaskResult, Workspace, done, failure

if TYPE_CHECKING:
    from distributed import Client

TaskFolder = Callable[[PackTask], Path]
TaskProgress = Callable[[PackTask, float], None]  # hears how far a task is, from any thread
Ended = TaskResult | Failure
_START = "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
_START += "from drillgen.pack.workers import main; main()"
_SCHEDULER = re.compile(r"((tcp|tls)://)?(\[[0-9a-fA-F:.]+\]|[A-Za-z0-9._-]+):([0-9]{1,5})")
_PATIENCE = 10  # seconds for a scheduler's answer, and then for a first worker
_AGAIN = 3  # how often a task is begun anew whose worker on another machine died


class TaskWorkers(Protocol):
    """Do tasks.  Use them in a `with` block: leaving it stops whatever is still being done."""

    share_notes: ClassVar[bool]  # whether several of them use one note cache at the same time

    def __enter__(self) -> Self: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...

    @property
    def count(self) -> int:
        """How many tasks they do at once."""

    def begin(
        self, task: PackTask, folder: TaskFolder, progress: TaskProgress, left: int
    ) -> Future[Any]:
        """Do a task in its own empty folder.  `left`: how many tasks for the pack have not ended
        yet, and may be worth a core."""

    def end(self, task: PackTask, future: Future[Any], folder: TaskFolder) -> Ended:
        """How it ended: as was promised, where its files are in their folder already."""
        ended: Ended = future.result()
        return ended


class InThisProcess(TaskWorkers):
    """Does one task after the other; nothing has to be started."""

    share_notes: ClassVar[bool] = False

    def __init__(self, jobs: int | None) -> None:
        self._jobs = jobs

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *details: object) -> None:
        pass

    @property
    def count(self) -> int:
        return 1

    def begin(
        self, task: PackTask, folder: TaskFolder, progress: TaskProgress, left: int
    ) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(done(task, Workspace(folder(task), self._jobs, partial(progress, task))))
        return future


class WorkerProcesses(TaskWorkers):
    """Worker processes of this machine."""

    share_notes: ClassVar[bool] = True

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._own = threading.local()
        self._started: list[_WorkerProcess] = []
        self._idle: queue.SimpleQueue[_WorkerProcess] = queue.SimpleQueue()
        self._stopped = False

    def __enter__(self) -> Self:
        if _can_fork():
            _load()
        if _can_fork():  # a library may have started a thread, where it is told to have some
            for _ in range(self._jobs):
                self._started.append(_WorkerProcess(_Fork()))
                self._idle.put(self._started[-1])
        self._threads = ThreadPoolExecutor(self._jobs)
        return self

    def __exit__(self, *details: object) -> None:
        self._stopped = True
        for worker in self._started:
            worker.kill()
        self._threads.shutdown(cancel_futures=True)
        for worker in self._started:
            worker.bury()

    @property
    def count(self) -> int:
        return self._jobs

    def begin(
        self, task: PackTask, folder: TaskFolder, progress: TaskProgress, left: int
    ) -> Future[Any]:
        # All cores where so little is left that workers soon have nothing to do, and for notes.
        cores = self._jobs if left <= self._jobs + 1 or not task.section else 1

        def look_after() -> Ended:
            try:
                message = pickle.dumps((task, folder(task), cores))
                return self._worker().do(message, partial(progress, task))
            except Exception as error:
                return failure(error)

        return self._threads.submit(look_after)

    def _worker(self) -> _WorkerProcess:
        """This thread's worker; another one where there is none, or it died."""
        worker: _WorkerProcess | None = getattr(self._own, "worker", None)
        if worker is None or not worker.lives:
            try:
                worker = self._own.worker = self._idle.get_nowait()
            except queue.Empty:
                worker = self._own.worker = _WorkerProcess(_interpreter())
                self._started.append(worker)
            if self._stopped:
                worker.kill()
        return worker


class _Process(Protocol):
    """What is used of `subprocess.Popen`."""

    stdin: IO[bytes] | None
    stdout: IO[bytes] | None

    def poll(self) -> int | None: ...
    def wait(self) -> int: ...
    def kill(self) -> None: ...


class _WorkerProcess:
    """One worker process, from the outside."""

    def __init__(self, process: _Process) -> None:
        self._process = process

    @property
    def lives(self) -> bool:
        return self._process.poll() is None

    def do(self, message: bytes, progress: Callable[[float], None]) -> Ended:
        assert self._process.stdin is not None and self._process.stdout is not None
        with contextlib.suppress(OSError):  # it has died: there is nothing to read either
            _send(self._process.stdin, message)
            while (reply := _read(self._process.stdout)) is not None:
                kind, value = pickle.loads(reply)
                if kind == "ended":
                    ended: Ended = value
                    return ended
                progress(value)
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


def _interpreter() -> subprocess.Popen[bytes]:
    """A worker that begins from nothing: where threads run, and of the synthesiser's there may be
    some, a fork would not survive.  In a group of its own, so that Ctrl-C reaches the build alone,
    which then stops it."""
    return subprocess.Popen(
        # -P: never a module from the folder that the person is in, which may be a stranger's pack.
        [sys.executable, "-P", "-c", _START, json.dumps(sys.path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        process_group=None if sys.platform == "win32" else 0,
    )


def _load() -> None:
    """Import what several workers need, and this process for the page's document: once for all."""
    import numpy.fft
    import numpy.random  # noqa: F401

    import drillgen.arrange
    import drillgen.pack.recording
    import drillgen.page.html  # noqa: F401


def _can_fork() -> bool:
    """Whether this process has no thread but the one that asks, libraries' own included."""
    if sys.platform != "linux":
        return False
    try:
        return len(os.listdir("/proc/self/task")) == 1  # noqa: PTH208 - names alone
    except OSError:
        return False


class _Fork:
    """A worker that has everything imported that this process has: it begins at once."""

    def __init__(self) -> None:
        sys.stdout.flush()
        sys.stderr.flush()
        requests, ask = os.pipe()
        answers, reply = os.pipe()
        self._number = os.fork()
        if not self._number:
            _begin(requests, reply)
        os.close(requests)
        os.close(reply)
        self._code: int | None = None
        self.stdin: IO[bytes] | None = os.fdopen(ask, "wb")
        self.stdout: IO[bytes] | None = os.fdopen(answers, "rb")

    def poll(self) -> int | None:
        return self._wait(os.WNOHANG)

    def wait(self) -> int:
        code = self._wait(0)
        assert code is not None
        return code

    def _wait(self, how: int) -> int | None:
        if self._code is None:
            number, status = os.waitpid(self._number, how)
            self._code = os.waitstatus_to_exitcode(status) if number else None
        return self._code

    def kill(self) -> None:
        if self.poll() is None:
            os.kill(self._number, signal.SIGKILL)


def _begin(requests: int, reply: int) -> None:
    """Be a worker, and never come back: nothing that the build holds open, above all the pipes to
    other workers and the folder's lock, may outlive the build in here."""
    try:
        for name in ENDINGS:
            signal.signal(name, signal.SIG_DFL)
        os.setpgid(0, 0)
        os.dup2(requests, 0)
        os.dup2(reply, 1)
        os.closerange(3, os.sysconf("SC_OPEN_MAX"))
        # Whatever the build's own are: they may write to a file that has just been closed.
        sys.stdout = sys.stderr = os.fdopen(2, "w", buffering=1, errors="replace", closefd=False)
        main()
    finally:
        os._exit(1)


def main() -> None:
    """Be a worker: do the tasks that come in at standard input until that is closed.

    A worker ends at once when the build that started it is gone, and what it prints goes to
    standard error.
    """
    replies = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # prints, also those of libraries, must not stand between the replies
    tasks: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    requests = os.fdopen(0, "rb", closefd=False)
    threading.Thread(target=_listen, args=(requests, tasks), daemon=True).start()
    while True:
        _serve(tasks.get(), lambda kind, value: _send(replies, pickle.dumps((kind, value))))


def _listen(requests: IO[bytes], tasks: queue.SimpleQueue[bytes]) -> None:
    """Ends the process, whatever it is doing, when nobody can ask any more."""
    while (message := _read(requests)) is not None:
        tasks.put(message)
    os._exit(0)


def _serve(message: bytes, reply: Callable[[str, Any], None]) -> None:
    try:
        task, folder, jobs = pickle.loads(message)
    except Exception as error:  # the task's own module cannot be imported here
        reply("ended", failure(error))
        return
    reply("ended", done(task, Workspace(folder, jobs, lambda share: reply("share", share))))


def _send(pipe: IO[bytes], content: bytes) -> None:
    """Write one message: its length in 8 bytes, then the content."""
    pipe.write(len(content).to_bytes(8, "little") + content)
    pipe.flush()


def _read(pipe: IO[bytes]) -> bytes | None:
    """The next message; None at the end."""
    head = pipe.read(8)
    if len(head) < 8:
        return None
    content = pipe.read(int.from_bytes(head, "little"))
    return content if len(content) == int.from_bytes(head, "little") else None


def _death(code: int) -> str:
    """How a process ended, for a person."""
    if code >= 0:
        return f"its worker stopped of itself (exit code {code})"
    name = signal.Signals(-code).name if -code in set(signal.Signals) else f"signal {-code}"
    hint = ", which the system does where memory runs out" if name == "SIGKILL" else ""
    return f"its worker was ended by {name}{hint}"


class DaskCluster(TaskWorkers):
    """Workers of a scheduler."""

    share_notes: ClassVar[bool] = False

    def __init__(self, address: str) -> None:
        self._address = scheduler(address)
        self._client: Client | None = None

    def __enter__(self) -> Self:
        self._client = _connected(self._address)
        self._executor = self._client.get_executor(retries=_AGAIN, pure=False)  # type: ignore[no-untyped-call]
        return self

    def __exit__(self, *details: object) -> None:
        if self._client is not None:
            self._client.close()  # type: ignore[no-untyped-call]  # what was asked for is given up

    @property
    def count(self) -> int:
        return sys.maxsize  # the scheduler knows whom it has

    def begin(
        self, task: PackTask, folder: TaskFolder, progress: TaskProgress, left: int
    ) -> Future[Any]:
        from drillgen.pack.tasks import program

        future: Future[Any] = self._executor.submit(remotely, task, program())
        return future

    def end(self, task: PackTask, future: Future[Any], folder: TaskFolder) -> Ended:
        return _fetched(future, folder(task))


def scheduler(address: str) -> str:
    """A scheduler's address as Dask wants it.  Raises DrillgenError for anything else."""
    found = _SCHEDULER.fullmatch(address.strip())
    if found is None or not 0 < int(found[4]) < 65536:
        raise DrillgenError(
            f"--cluster {address}: allowed: the scheduler's host and port,"
            " as in tcp://192.168.1.20:8786"
        )
    return f"{found[1] or 'tcp://'}{found[3]}:{found[4]}"


def _connected(address: str) -> Client:
    import logging
    import warnings

    try:
        from distributed import Client
    except ImportError:
        raise DrillgenError(
            "--cluster needs Dask's distributed: pip install 'drillgen[cluster]'"
        ) from None
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what matters is raised
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of versions that differ: see `remotely`
            client = Client(  # type: ignore[no-untyped-call]
                address, timeout=_PATIENCE, set_as_default=False
            )
    except (OSError, ValueError) as error:
        raise DrillgenError(f"no Dask scheduler answers at {address}") from error
    try:
        client.wait_for_workers(1, timeout=_PATIENCE)
    except TimeoutError:
        client.close()  # type: ignore[no-untyped-call]
        raise DrillgenError(f"the Dask scheduler at {address} has no workers") from None
    return client


def remotely(task: PackTask, code: str) -> tuple[TaskResult, dict[str, bytes]] | Failure:
    """Do a task on a worker; its files come back with it."""
    import tempfile

    from drillgen.pack.tasks import program
    from drillgen.version import VERSION

    if program() != code:
        return Failure("person", f"{_host()} has another drillgen: {VERSION} in another state")
    with tempfile.TemporaryDirectory() as name:
        result = done(task, Workspace(Path(name), jobs=1))
        if isinstance(result, Failure):
            return _there(result)
        return result, {file: (Path(name) / file).read_bytes() for file in result.files}


def _there(failure: Failure) -> Failure:
    """A worker's own disk is not the pack's."""
    if failure.blame == "target":
        return Failure("person", f"{_host()} cannot write its files: {failure.message}")
    return failure


def _host() -> str:
    import socket

    return socket.gethostname()


def _fetched(future: Future[Any], into: Path) -> Ended:
    from distributed import KilledWorker

    from drillgen.pack.files import write_whole

    try:
        answer = future.result()
    except KilledWorker:
        return Failure("program", f"{_AGAIN} workers of the cluster died of it")
    except ModuleNotFoundError as error:
        return Failure(
            "person", f"a worker of the cluster has no {error.name}: install drillgen there"
        )
    except Exception as error:
        return Failure("program", f"{type(error).__name__}: {error}")
    if isinstance(answer, Failure):
        return answer
    result, files = answer
    if not all(map(is_name, files)):
        return Failure("program", "a worker of the cluster sent files that lie in no pack")
    for name, content in files.items():
        (into / name).parent.mkdir(parents=True, exist_ok=True)
        write_whole(into / name, content)
    return result  # type: ignore[no-any-return]
