"""Where a pack can be reached, and who comes in.

Nobody can keep a class's phones waiting.

A client (an address) is answered some requests at once; what it asks for beyond waits its turn,
held open without a thread.  Each request has a deadline, from its first byte to its last.
"""

from __future__ import annotations

import contextlib
import io
import socket
import threading
import time
import unicodedata
from collections import Counter, deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from html import escape
from ipaddress import IPv4Address, ip_address
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import quote, unquote

import click
import segno

from drillgen.pack import manifest

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


# QR codes (ISO/IEC 18004, by the segno library) for a phone's camera: in the terminal, on the page.


def qr_code(text: str) -> str:
    """The code, two rows of squares in a line of text.

    Its colours are set, black on white, because cameras read no code in negative, whatever the
    terminal's own are.
    """
    drawn = io.StringIO()
    segno.make(text, micro=False).terminal(out=drawn, compact=True)
    lines = drawn.getvalue().splitlines()
    return "\n".join(click.style(line, fg="bright_white", bg="black") for line in lines)


def qr_picture(text: str) -> bytes:
    """The code as SVG, black on white, with the quiet border that the standard asks for."""
    drawn = io.BytesIO()
    code = segno.make(text, micro=False)
    code.save(drawn, kind="svg", dark="#000", light="#fff", omitsize=True)
    return drawn.getvalue()


# Addresses of this machine, and the names under which a browser may ask for it.

HERE = IPv4Address("127.0.0.1")

# An address in each network for private use (RFC 1918) and in one for documentation (RFC 5737),
# which stands for everywhere else.
_ELSEWHERE = ("192.168.255.254", "10.255.255.254", "172.31.255.254", "192.0.2.254")


def local_address() -> IPv4Address | None:
    """This machine's address on the local network; None where it has none."""
    found = [address for address in map(_towards, _ELSEWHERE) if address]
    return next((address for address in (*found, *_named()) if _is_local(address)), None)


def _towards(other: str) -> IPv4Address | None:
    """The own address that would be used to reach another.  Connecting a datagram socket only
    looks up the route: nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking, suppress(OSError):
        asking.connect((other, 9))
        return IPv4Address(asking.getsockname()[0])
    return None


def _named() -> list[IPv4Address]:
    """The addresses of this machine's own name, for a network that leads nowhere else."""
    with suppress(OSError):
        found = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        return [IPv4Address(str(address[0])) for *_, address in found]
    return []


def _is_local(address: IPv4Address) -> bool:
    return address.is_private and not (address.is_loopback or address.is_unspecified)


def is_ours(host: str | None, *, shared: bool) -> bool:
    """Whether the Host that a browser asks for can be meant for us.

    A page of another site can make its own name point to this machine and then read what is
    served here (DNS rebinding); its name still stands in Host.  So: this machine's names only, and
    where it is `shared` addresses and the machine's name, which no other site can have.
    """
    name = _without_port(host or "").casefold()
    if name in ("localhost", str(HERE)):
        return True
    own = socket.gethostname().casefold()
    return shared and (_is_address(name) or name in (own, f"{own}.local"))


def _without_port(host: str) -> str:
    name, _, port = host.rpartition(":")
    return name if name and port.isdecimal() else host


def _is_address(name: str) -> bool:
    with suppress(ValueError):
        return bool(ip_address(name))
    return False


# What of a folder can be reached: its own files, and nothing hidden, half-written or outside.

_NEVER = frozenset("\\:\0")  # other systems' separators, drives and streams; the end of a C string


class Listed:
    """What a pack's manifest lists: all that is shown to others.  Read again when it is another."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._time = -1
        self._names: frozenset[str] = frozenset()

    def has(self, path: Path) -> bool:
        """Whether a file is listed, or something in a folder is."""
        name = unicodedata.normalize("NFC", path.relative_to(self._root).as_posix())
        return path == self._root or name in self._current()

    def _current(self) -> frozenset[str]:
        """The files, and the folders that they lie in."""
        try:
            time = (self._root / manifest.NAME).stat().st_mtime_ns
        except OSError:
            return frozenset()
        if time != self._time:
            document = manifest.read(self._root).document
            entries = [each for own in manifest.sections(document).values() for each in own]
            files = {name for entry in entries for name in manifest.files_of(entry)}
            names = {*files, *_folders(files), manifest.NAME}
            self._names = frozenset(unicodedata.normalize("NFC", name) for name in names)
            self._time = time
        return self._names


def _folders(files: Iterable[str]) -> set[str]:
    return {str(folder) for name in files for folder in PurePosixPath(name).parents[:-1]}


def reach(root: Path, target: str, listed: Listed | None = None) -> Path | None:
    """The file or folder that a request's target names; None for anything that may not be seen.

    `root` is resolved already.  What a link points to must lie in the folder as well.  `listed`:
    all that may be seen; None: whatever is in the folder.
    """
    names = _names(target)
    if names is None:
        return None
    try:
        found = root.joinpath(*names).resolve(strict=True)
    except (OSError, ValueError, RuntimeError):
        return None
    if listed is not None and not (found.is_relative_to(root) and listed.has(found)):
        return None
    named_as_folder = target.partition("?")[0].endswith("/")
    return found if _may_be_seen(root, found) and (found.is_dir() or not named_as_folder) else None


def visible(root: Path, folder: Path, listed: Listed | None = None) -> tuple[Path, ...]:
    """What of a folder can be seen, by name."""
    beside = sorted(folder.iterdir(), key=lambda path: path.name.casefold())
    return tuple(
        path
        for path in beside
        if _is_plain(path.name)
        and _seen(root, path)
        and (listed is None or listed.has(path.resolve()))
    )


def address(root: Path, path: Path) -> str:
    """The path part of a URL: always absolute, a slash behind a folder."""
    names = path.relative_to(root).parts
    ending = "/" if names and path.is_dir() else ""
    return "/" + "/".join(quote(name, safe="") for name in names) + ending


def _names(target: str) -> list[str] | None:
    """The names in a request's target, from the root."""
    path = target.partition("?")[0].partition("#")[0]
    try:
        plain = unquote(path, errors="strict")
    except UnicodeDecodeError:
        return None
    if not plain.startswith("/"):
        return None
    names = plain[1:].removesuffix("/").split("/")
    if names == [""]:
        return []
    return names if all(_is_plain(name) for name in names) else None


def _is_plain(name: str) -> bool:
    """Neither empty nor hidden (`.`, `..` and files being written, too) nor another system's."""
    return bool(name) and not name.startswith(".") and not _NEVER & set(name)


def _seen(root: Path, path: Path) -> bool:
    try:
        return _may_be_seen(root, path.resolve(strict=True))
    except (OSError, RuntimeError):
        return False


def _may_be_seen(root: Path, found: Path) -> bool:
    """Whether a resolved path lies in the folder, is not hidden there, and is a file or folder."""
    if not found.is_relative_to(root):
        return False
    plain = all(_is_plain(name) for name in found.relative_to(root).parts)
    return plain and (found.is_file() or found.is_dir())


# The page for a folder without an index.html: a plain list of what is in it.

_PAGE = """\
<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<meta name="color-scheme" content="light dark">
<title>{title}</title>
<style>
body {{ font-family: sans-serif; max-width: 40em; margin: auto; padding: 0 1em }}
ul {{ list-style: none; padding: 0 }}
a {{ display: block; padding: 0.7em 0; overflow-wrap: anywhere }}
</style>
<h1>{title}</h1>
<ul>
{rows}
</ul>
</html>
"""


def page(root: Path, folder: Path, listed: Listed | None = None) -> bytes:
    """The list as HTML, folders with a slash behind them, a way back up first."""
    rows = [] if folder == root else [_row(address(root, folder.parent), f"← {folder.parent.name}")]
    rows += [
        _row(address(root, path), path.name + ("/" if path.is_dir() else ""))
        for path in visible(root, folder, listed)
    ]
    return _PAGE.format(title=escape(folder.name), rows="\n".join(rows)).encode()


def _row(link: str, name: str) -> str:
    return f'<li><a href="{escape(link)}">{escape(name)}</a></li>'
