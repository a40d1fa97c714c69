"""A worker process: does tasks that come in at its standard input until that is closed.

It is a fresh interpreter, not a fork: the synthesiser and its threads would not survive one.  It
ends at once when the build that started it is gone, and what it prints goes to standard error.
"""

from __future__ import annotations

import os
import pickle
import queue
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from drillgen.pack.tasks import Place, Task, done, failure


def main() -> None:
    """Serve."""
    replies = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # prints, also those of libraries, must not stand between the replies
    tasks: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, tasks), daemon=True).start()
    while True:
        _serve(tasks.get(), lambda kind, value: send(replies, (kind, value)))


def _listen(requests: IO[bytes], tasks: queue.SimpleQueue[bytes]) -> None:
    """Ends the process, whatever it is doing, when nobody can ask any more."""
    while (message := read(requests)) is not None:
        tasks.put(message)
    os._exit(0)


def _serve(message: bytes, reply: Callable[[str, Any], None]) -> None:
    try:
        task, folder, jobs = pickle.loads(message)
    except Exception as error:  # the task's own module cannot be imported here
        reply("ended", failure(error))
        return
    reply("ended", done(task, Place(folder, jobs, lambda share: reply("share", share))))


def request(task: Task, folder: Path, jobs: int) -> bytes:
    """A task as a worker expects it."""
    return pickle.dumps((task, folder, jobs))


def send(pipe: IO[bytes], value: Any) -> None:
    """Write one message: its length in 8 bytes, then the value, pickled unless it is already."""
    content = value if isinstance(value, bytes) else pickle.dumps(value)
    pipe.write(len(content).to_bytes(8, "little") + content)
    pipe.flush()


def read(pipe: IO[bytes]) -> bytes | None:
    """The next message; None at the end."""
    head = pipe.read(8)
    if len(head) < 8:
        return None
    content = pipe.read(int.from_bytes(head, "little"))
    return content if len(content) == int.from_bytes(head, "little") else None
