"""Many at once, and those who would keep the others waiting (common practice: slow requests as
Slowloris sends them, CWE-400)."""

from __future__ import annotations

import re
import resource
import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from urllib.parse import quote

import pytest

from drillgen.serve import server
from drillgen.serve.door import HERE, OF_ONE
from tests.pack.building import lesson, until
from tests.pack.conftest import built as build
from tests.serve.serving import NAME, PATIENCE, TEN_THOUSAND, Served, make_pack, serve

TRACK = "/" + quote(NAME)
LINUX = pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Served]:
    """A server of the test's own."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 4096), hard))
    running = serve(make_pack(tmp_path))
    yield running
    running.end()
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def memory(served: Served) -> int:
    """The most that it has used, in bytes (proc(5): VmHWM)."""
    status = Path(f"/proc/{served.process.pid}/status").read_text()
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    assert found is not None
    return int(found[1]) * 1024


@LINUX
def test_a_crowd(own: Served) -> None:
    """500 at once are all answered, in less than 100 MB of memory."""
    got: list[bytes] = []

    def ask() -> None:
        with suppress(OSError):
            got.append(own.ask(TRACK).body)

    phones = [threading.Thread(target=ask) for _ in range(500)]
    for phone in phones:
        phone.start()
    for phone in phones:
        phone.join()
    assert got == [TEN_THOUSAND] * 500
    assert memory(own) < 100e6


def test_slow_senders_are_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Those who send a byte now and then, or nothing, are let go (here after a second instead of
    ten), though three times as many come as are answered at once; then others are answered, and
    nothing is worked at meanwhile."""
    monkeypatch.setattr(server, "_REQUEST", 1.0)
    with ExitStack() as stack:
        here = served_here(make_pack(tmp_path), stack)
        slow = [
            stack.enter_context(socket.create_connection(here, timeout=PATIENCE))
            for _ in range(3 * OF_ONE)
        ]
        began, worked = time.monotonic(), time.process_time()
        for number, link in enumerate(slow):
            link.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-" if number % 2 else b"G")
        while slow and time.monotonic() < began + PATIENCE:
            time.sleep(0.2)
            slow = [link for link in slow if not _is_let_go(link)]
        assert not slow
        assert time.process_time() - worked < 2
        found = Served(None, *here).ask(TRACK)  # type: ignore[arg-type]
        assert found.body == TEN_THOUSAND


def served_here(pack: Path, stack: ExitStack) -> tuple[str, int]:
    """Host and port of a server in this process."""
    running = stack.enter_context(server.open_server(pack, HERE, 0))
    threading.Thread(target=running.serve_forever, daemon=True).start()
    stack.callback(running.shutdown)
    host, port = running.server_address[:2]
    return str(host), int(port)


def _is_let_go(link: socket.socket) -> bool:
    """After one more byte."""
    try:
        link.sendall(b"x")
        return link.recv(1, socket.MSG_DONTWAIT) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


def test_a_slow_reader_is_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who asks for a file and does not read it is let go when the time for its bytes is over."""
    monkeypatch.setattr(server, "_REQUEST", 1.0)
    monkeypatch.setattr(server, "_SLOWEST", 30_000_000)
    pack = make_pack(tmp_path)
    (pack / "long.wav").write_bytes(bytes(30_000_000))
    with ExitStack() as stack:
        here = served_here(pack, stack)
        link = stack.enter_context(socket.create_connection(here, timeout=PATIENCE))
        link.sendall(b"GET /long.wav HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert link.recv(1)
        until(lambda: not any("request" in each.name for each in threading.enumerate()))
        got = 1
        with suppress(OSError):
            while block := link.recv(1 << 20):
                got += len(block)
        assert got < 30_000_000


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory, notes: Path) -> Path:
    """A pack by the command, its page also in one file, and a page that is not of it."""
    folder = tmp_path_factory.mktemp("built")
    plan = lesson(folder / "term.yaml", {"One": "tempo: 360"})
    build(notes, plan, folder / "pack", "--no-sheets", "--single-file", "--quiet")
    (folder / "pack" / "theirs.html").write_text("<script>alert(1)</script>")
    return folder / "pack"


@pytest.mark.parametrize("target", ["/index.html", "/page.html", "/theirs.html"])
def test_every_page_has_the_policy(built: Path, target: str) -> None:
    """The header of every HTML file lets it load and run the pack's own alone (CSP level 3): the
    page, the page in one file with its hashes, and a stranger's page, which may do no more."""
    running = serve(built)
    policy = running.ask(target).headers["Content-Security-Policy"]
    running.end()
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'" and rules["frame-ancestors"] == "'none'"
    assert rules["base-uri"] == "'none'" and rules["form-action"] == "'none'"
    assert "connect-src" not in rules and "unsafe" not in policy and "http" not in policy
    if target == "/page.html":
        text = (built / "page.html").read_text("utf-8")
        own = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', text)
        assert own is not None and policy.startswith(own[1]) and "'sha256-" in policy
    else:
        assert rules["script-src"] == "'self'"
