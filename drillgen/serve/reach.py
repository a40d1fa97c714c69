"""Where a pack can be reached: addresses, the QR code, and what a folder lists."""

from __future__ import annotations

import io
import socket
import unicodedata
from collections.abc import Iterable
from contextlib import suppress
from html import escape
from ipaddress import IPv4Address, ip_address
from pathlib import Path, PurePosixPath
from urllib.parse import quote, unquote

import click
import segno

from drillgen.pack import manifest

# A QR code in the terminal (ISO/IEC 18004, by the segno library), for a phone's camera.


def qr_code(text: str) -> str:
    """The code, two rows of squares in a line of text.

    Its colours are set, black on white, because cameras read no code in negative, whatever the
    terminal's own are.
    """
    drawn = io.StringIO()
    segno.make(text, micro=False).terminal(out=drawn, compact=True)
    lines = drawn.getvalue().splitlines()
    return "\n".join(click.style(line, fg="bright_white", bg="black") for line in lines)


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
