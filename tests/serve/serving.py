"""A pack-like folder, and the command that serves it, run as a person would."""

from __future__ import annotations

import http.client
import json
import signal
import socket
import tempfile
from dataclasses import dataclass
from pathlib import Path

from tests.forking import Begun
from tests.pack.building import until

TEN_THOUSAND = bytes(number % 251 for number in range(10_000))  # as long as RFC 9110's example
PATIENCE = 90  # seconds: longer is a hang, on a busy machine too
NAME = "01 Thirds & sevenths/Sälta #1.m4a"


def make_pack(folder: Path) -> Path:
    """A folder with a page, a drawing, a track as long as RFC 9110's example, and what is to stay
    unseen: a hidden file, a half-written one, and a secret beside it with links to it."""
    pack = folder / "pack"
    (pack / NAME).parent.mkdir(parents=True)
    (pack / NAME).write_bytes(TEN_THOUSAND)
    (pack / "index.html").write_text("<!doctype html><p>the page</p>", "utf-8")
    files = [NAME, "index.html", "empty.wav", "strip.svg", "out.txt", "up/secret.txt", ".hidden"]
    entries = [{"files": {"it": name}} for name in files]
    document = {"program": "drillgen", "tracks": [], "others": entries}
    (pack / "manifest.json").write_text(json.dumps(document), "utf-8")
    (pack / "mine.txt").write_text("not of the pack", "utf-8")
    (pack / "mine").mkdir()
    (pack / "mine" / "marks.txt").write_text("not of the pack", "utf-8")
    (pack / "empty.wav").touch()
    (pack / "strip.svg").write_text("<svg xmlns='http://www.w3.org/2000/svg'/>", "utf-8")
    (pack / ".hidden").write_text("secret", "utf-8")
    (pack / ".part-0123").write_text("secret", "utf-8")
    (pack / ".git").mkdir()
    (pack / ".git" / "config").write_text("secret", "utf-8")
    (folder / "secret.txt").write_text("secret", "utf-8")
    (folder / "pack-too").mkdir()
    (folder / "pack-too" / "secret.txt").write_text("secret", "utf-8")
    (pack / "inside").symlink_to("index.html")
    (pack / "out.txt").symlink_to(folder / "secret.txt")
    (pack / "up").symlink_to(folder)
    (pack / "unhidden.txt").symlink_to(".hidden")
    (pack / "round").symlink_to("round")
    return pack


@dataclass
class Answer:
    status: int
    headers: http.client.HTTPMessage
    body: bytes


@dataclass
class Served:
    """A running `drillgen serve`."""

    process: Begun
    host: str
    port: int
    said: str = ""  # before it serves

    def ask(
        self, target: str, headers: dict[str, str] | None = None, method: str = "GET"
    ) -> Answer:
        connection = http.client.HTTPConnection(self.host, self.port, timeout=PATIENCE)
        connection.request(method, target, headers=headers or {})
        answer = connection.getresponse()
        body = answer.read()
        connection.close()
        return Answer(answer.status, answer.headers, body)

    def raw(self, request: bytes) -> bytes:
        """Everything that comes back for some bytes, until the server is done."""
        with socket.create_connection((self.host, self.port), timeout=PATIENCE) as link:
            link.sendall(request)
            link.shutdown(socket.SHUT_WR)
            return b"".join(iter(lambda: link.recv(65536), b""))

    def stop(self) -> tuple[int, str, str]:
        """Ctrl-C; exit code, what it said then, and what on standard error."""
        self.process.send_signal(signal.SIGINT)
        until(lambda: self.process.poll() is not None, PATIENCE)
        out, error = self.process.communicate()
        return self.process.wait(), out.removeprefix(self.said), error

    def end(self) -> None:
        """Whatever happens."""
        self.process.kill()
        self.process.wait()


def serve(pack: Path, *arguments: str) -> Served:
    """Start the command, and wait until it says where it serves."""
    process = Begun(["serve", str(pack), *arguments], Path(tempfile.mkdtemp(dir=pack.parent)))

    def serves() -> str:
        ended, (said, error) = process.poll(), process.said()
        assert ended is None, error
        return said if "Ctrl-C" in said and said.endswith("\n") else ""

    said = until(serves, PATIENCE)
    url = next(line.strip() for line in said.splitlines() if line.startswith("  http://"))
    host, port = url.removeprefix("http://").strip("/").split(":")
    return Served(process, host, int(port), said)
