"""Requests of all sorts, in crowds: answers of HTTP, nothing from outside, and nobody kept."""

from __future__ import annotations

import contextlib
import resource
import socket
import time
from pathlib import Path
from random import Random
from urllib.parse import quote

from tests.serve.serving import NAME as TRACK
from tests.serve.serving import PATIENCE, TEN_THOUSAND, Served, make_pack, serve

NAME = "serving"
_TARGETS = [
    "/",
    "/index.html",
    "/" + quote(TRACK),
    "/../secret.txt",
    "/%2e%2e/secret.txt",
    "/up/",
    "/out.txt",
    "/.hidden",
    "/strip.svg",
    "//x",
    "*",
    "/\0",
    "/" + "x" * 9000,
    "http://x/y",
]
_LINES = ["Host: localhost", "Host: localhost", "Range: bytes=0-4", "Range: bytes=-1", "X: \x01",
          "Content-Length: 5", "Transfer-Encoding: chunked", "If-None-Match: *", "Host: x.example",
          "Connection: keep-alive", f"Range: bytes={'9' * 20}-", "no colon", ""]  # fmt: skip
_METHODS = ["GET", "GET", "GET", "HEAD", "POST", "BREW", "get", ""]


class Ground:
    """A server, which is ended with this."""

    def __init__(self, top: Path) -> None:
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, min(hard, 4096)), hard))
        self.served: Served = serve(make_pack(top))

    def close(self) -> None:
        self.served.end()

    def case(self, chance: Random) -> None:
        """A crowd of slow senders and of odd requests; then a good one is answered."""
        here = (self.served.host, self.served.port)
        with contextlib.ExitStack() as stack:
            crowd = []
            for _ in range(chance.choice([1, 5, 20, 60])):
                link = stack.enter_context(socket.create_connection(here, timeout=PATIENCE))
                link.sendall(_request(chance))
                crowd.append(link)
            began = time.monotonic()
            for link in chance.sample(crowd, len(crowd) // 2):
                with contextlib.suppress(OSError):
                    link.shutdown(socket.SHUT_WR)
                    got = b"".join(iter(lambda own=link: own.recv(65536), b""))
                    assert got.rpartition(b"\r\n\r\n")[2] != b"secret", got
                    assert b"Traceback" not in got, got
                    assert not got or got.startswith(b"HTTP/1.") or b" " in got[:9], got[:99]
            assert self.served.ask("/" + quote(TRACK)).body == TEN_THOUSAND
            assert time.monotonic() - began < 2 * PATIENCE
        assert self.served.process.poll() is None
        assert _memory(self.served) < 100_000


def _request(chance: Random) -> bytes:
    lines = [f"{chance.choice(_METHODS)} {chance.choice(_TARGETS)} HTTP/1.{chance.choice('0119')}"]
    lines += [chance.choice(_LINES) for _ in range(chance.randint(0, 6))]
    whole = "\r\n".join(lines).encode() + b"\r\n\r\n"
    how = chance.random()
    if how < 0.3:
        return whole[: chance.randrange(len(whole))]
    if how < 0.4:
        return chance.randbytes(chance.randint(1, 3000))
    return whole * chance.choice([1, 1, 2])


def _memory(served: Served) -> int:
    """The most that it has used, in kB (proc(5): VmHWM); 0 where that is not told."""
    status = Path(f"/proc/{served.process.pid}/status")
    if not status.exists():
        return 0
    found = [line for line in status.read_text().splitlines() if line.startswith("VmHWM")]
    return int(found[0].split()[1])
