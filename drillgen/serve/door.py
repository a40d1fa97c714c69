"""Who comes in, in which order, and for how long: nobody can keep a class's phones waiting.

A client (an address) is answered some requests at once; what it asks for beyond waits its turn,
held open without a thread.  Each request has a deadline, from its first byte to its last.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

AT_ONCE, OF_ONE = 128, 32  # answered at the same time: of all clients, and of one
_OPEN, _OPEN_OF_ONE = 768, 512  # connections, those that wait included
_OWN = 64  # descriptors that the program itself may need
_WANTED = 2 * _OPEN
_TURN = 60.0  # seconds that a connection waits for its turn at most

Connection = socket.socket


@dataclass(slots=True)
class _Waiting:
    connection: Connection
    client: str
    since: float = field(default_factory=time.monotonic)


class Door:
    """Connections that are being answered and that wait.  Used by many threads."""

    def __init__(self, answer: Callable[[Connection, Any], None], most: int | None = None) -> None:
        """`answer`: has a connection answered, in a thread of its own.  `most`: connections that
        may be open; by default what the system allows."""
        self._answer = answer
        self._most = most or min(_OPEN, max(_descriptors() - AT_ONCE - _OWN, OF_ONE))
        self._changed = threading.Condition()
        self._answered: dict[Connection, tuple[str, Any, float]] = {}  # with each one's deadline
        self._of: Counter[str] = Counter()  # answered connections of each client
        self._waiting: deque[tuple[_Waiting, Any]] = deque()

    def wait_for_room(self, seconds: float) -> bool:
        """Whether one more may be let in, by then."""
        with self._changed:
            return self._changed.wait_for(lambda: self._open() < self._most, seconds)

    def _open(self) -> int:
        return len(self._answered) + len(self._waiting)

    def let_in(self, connection: Connection, address: Any, deadline: float) -> bool:
        """Have a connection answered, now or later; False where its client has too many.

        `deadline`: seconds for its first request, from when its turn comes.
        """
        client = str(address[0])
        with self._changed:
            own = self._of[client] + sum(each.client == client for each, _ in self._waiting)
            if own >= min(_OPEN_OF_ONE, self._most):
                return False
            self._waiting.append((_Waiting(connection, client), (address, deadline)))
        self._next()
        return True

    def expect(self, connection: Connection, seconds: float) -> None:
        """What is being done with a connection must be done by then."""
        with self._changed:
            if connection in self._answered:
                client, address, _ = self._answered[connection]
                self._answered[connection] = (client, address, time.monotonic() + seconds)

    def is_wanted(self, client: str) -> bool:
        """Whether others wait for what a client's connection keeps."""
        with self._changed:
            full = len(self._answered) >= AT_ONCE
            return any(full or each.client == client for each, _ in self._waiting)

    def left(self, connection: Connection) -> None:
        """A connection has been answered: the next one's turn."""
        with self._changed:
            client, *_ = self._answered.pop(connection, ("",))
            self._of[client] -= 1
            self._of += Counter()  # without zeros
            self._changed.notify_all()
        self._next()

    def _next(self) -> None:
        """Begin with those who wait and may come in; who came first goes first."""
        while (found := self._taken()) is not None:
            waiting, (address, _) = found
            try:
                self._answer(waiting.connection, address)
            except RuntimeError:  # no more threads
                self.left(waiting.connection)
                _shut(waiting.connection)

    def _taken(self) -> tuple[_Waiting, Any] | None:
        with self._changed:
            if len(self._answered) >= AT_ONCE:
                return None
            for place, (waiting, (address, seconds)) in enumerate(self._waiting):
                if self._of[waiting.client] < OF_ONE:
                    del self._waiting[place]
                    until = time.monotonic() + seconds
                    self._answered[waiting.connection] = (waiting.client, address, until)
                    self._of[waiting.client] += 1
                    return waiting, (address, seconds)
        return None

    def send_away(self) -> None:
        """Let go of who has had the time that there is."""
        now = time.monotonic()
        gone: list[Connection] = []
        with self._changed:
            late = [each for each, (_, _, until) in self._answered.items() if until < now]
            while self._waiting and self._waiting[0][0].since + _TURN < now:
                gone.append(self._waiting.popleft()[0].connection)
            self._changed.notify_all()
        for connection in late:
            _shut(connection)
        for connection in gone:
            connection.close()


def _shut(connection: Connection) -> None:
    """Whoever reads or writes it is told that it has ended; who waited is let go."""
    with contextlib.suppress(OSError):
        connection.shutdown(socket.SHUT_RDWR)


def _descriptors() -> int:
    """How many files and connections this process may have open; more are asked for."""
    try:
        import resource
    except ImportError:  # Windows: thousands
        return _WANTED
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _WANTED if hard == resource.RLIM_INFINITY else min(hard, _WANTED)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
            soft = wanted
    return soft if soft != resource.RLIM_INFINITY else _WANTED
