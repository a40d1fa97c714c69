"""A crew on other machines: the workers of a Dask scheduler that is running already.

A worker needs this package in the same state, and a soundfont with the same SHA-256.  Files come
back through the scheduler as bytes.  A task whose worker dies is given to another one.
"""

from __future__ import annotations

import logging
import re
import socket
import tempfile
import warnings
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Self

from drillgen.errors import DrillgenError
from drillgen.pack.address import program
from drillgen.pack.files import write_whole
from drillgen.pack.tasks import Failure, Outcome, Place, Result, Task, done
from drillgen.version import VERSION

if TYPE_CHECKING:
    from distributed import Client, Future

Shares = Callable[[Task, float], None]
_ADDRESS = re.compile(r"((tcp|tls)://)?(\[[0-9a-fA-F:.]+\]|[A-Za-z0-9._-]+):([0-9]{1,5})")
_PATIENCE = 10  # seconds for an answer, and then for a first worker
_AGAIN = 3  # how often a task is begun anew whose worker died


class ClusterError(DrillgenError):
    """The cluster cannot be used."""


class Cluster:
    """Workers of a scheduler."""

    def __init__(self, address: str) -> None:
        self._address = checked(address)
        self._client: Client | None = None

    def __enter__(self) -> Self:
        self._client = _connected(self._address)
        return self

    def __exit__(self, *details: object) -> None:
        if self._client is not None:
            self._client.close()  # type: ignore[no-untyped-call]

    def work(
        self, tasks: Sequence[Task], folder: Callable[[Task], Path], shares: Shares
    ) -> Iterator[Outcome]:
        from distributed import as_completed

        assert self._client is not None
        waiting = {
            self._client.submit(remotely, task, program(), retries=_AGAIN, pure=False): task
            for task in tasks
        }
        ended = as_completed(list(waiting), loop=self._client.loop)  # type: ignore[no-untyped-call]
        for future in ended:
            task = waiting.pop(future)
            yield Outcome(task, _fetched(future, folder(task)))
            future.release()


def checked(address: str) -> str:
    """A scheduler's address as Dask wants it.  Raises ClusterError for anything else."""
    found = _ADDRESS.fullmatch(address.strip())
    if found is None or not 0 < int(found[4]) < 65536:
        raise ClusterError(
            f"--cluster {address}: allowed: the scheduler's host and port,"
            " as in tcp://192.168.1.20:8786"
        )
    return f"{found[1] or 'tcp://'}{found[3]}:{found[4]}"


def _connected(address: str) -> Client:
    try:
        from distributed import Client
    except ImportError:
        raise ClusterError(
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
        raise ClusterError(f"no Dask scheduler answers at {address}") from error
    try:
        client.wait_for_workers(1, timeout=_PATIENCE)
    except TimeoutError:
        client.close()  # type: ignore[no-untyped-call]
        raise ClusterError(f"the Dask scheduler at {address} has no workers") from None
    return client


def remotely(task: Task, code: str) -> tuple[Result, dict[str, bytes]] | Failure:
    """Do a task on a worker; its files come back with it."""
    if program() != code:
        host = socket.gethostname()
        return Failure("person", f"{host} has another drillgen: {VERSION} in another state")
    with tempfile.TemporaryDirectory() as name:
        result = done(task, Place(Path(name), jobs=1))
        if isinstance(result, Failure):
            return _there(result)
        return result, {file: (Path(name) / file).read_bytes() for file in result.files}


def _there(failure: Failure) -> Failure:
    """A worker's own disk is not the pack's."""
    host = socket.gethostname()
    if failure.blame == "target":
        return Failure("person", f"{host} cannot write its files: {failure.message}")
    return failure


def _fetched(
    future: Future[tuple[Result, dict[str, bytes]] | Failure], into: Path
) -> Result | Failure:
    from distributed import KilledWorker

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
    for name, content in files.items():
        (into / name).parent.mkdir(parents=True, exist_ok=True)
        write_whole(into / name, content)
    return result
