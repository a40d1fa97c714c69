"""A pack over HTTP, read-only: requests, ranges, validators and the server that answers."""

from __future__ import annotations

import gzip
import json
import os
import re
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass
from email.message import Message
from email.utils import formatdate, parsedate_to_datetime
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import IPv4Address
from os import fstat
from pathlib import Path
from socketserver import TCPServer
from typing import IO, Any
from urllib.parse import unquote, urlsplit

from drillgen.audio.formats import FORMATS
from drillgen.errors import DrillgenError, reason
from drillgen.page import FOLDER, INDEX, POLICY, WEB, WORKER
from drillgen.serve.door import Door, Listed, address, is_ours, page, qr_picture, reach

# Byte ranges: what part of a file a browser asks for (RFC 9110, section 14).
#
# Phones play audio over HTTP only from servers that answer these.

_ONE_RANGE = re.compile(r"bytes=(?:([0-9]{1,18})-([0-9]{0,18})|-([0-9]{1,18}))", re.IGNORECASE)


class UnsatisfiableError(ValueError):
    """The range is well written, and nothing of the file lies in it."""


def requested(header: str | None, size: int) -> range | None:
    """The bytes of a file of `size` bytes that a Range header asks for; None for the whole.

    Raises UnsatisfiableError.  Another unit, an invalid range and several ranges at once are
    answered with the whole file, as section 14.2 allows.
    """
    found = _ONE_RANGE.fullmatch((header or "").strip())
    if found is None:
        return None
    first, last, suffix = found.groups()
    if suffix is not None:
        return _last_bytes(int(suffix), size)
    return _between(int(first), int(last) if last else None, size)


def _last_bytes(count: int, size: int) -> range | None:
    if count == 0:
        raise UnsatisfiableError
    return range(max(size - count, 0), size) if size else None


def _between(first: int, last: int | None, size: int) -> range | None:
    if last is not None and last < first:
        return None  # invalid, by section 14.1.1
    if first >= size:
        raise UnsatisfiableError
    return range(first, size if last is None else min(last + 1, size))


# Whether a browser has a file already (RFC 9110, section 13): entity tags and dates.


@dataclass(frozen=True, slots=True)
class Validators:
    """What tells one version of a file from another."""

    etag: str
    modified: int  # seconds since 1970, as dates of HTTP have no finer ones

    @classmethod
    def of(cls, status: os.stat_result) -> Validators:
        """A pack's files are replaced, never changed, so that a strong tag may come from these."""
        tag = f'"{status.st_mtime_ns:x}-{status.st_size:x}-{status.st_ino:x}"'
        return cls(tag, int(status.st_mtime))

    def compressed(self) -> Validators:
        """Of the same version as other bytes: a strong tag is for one form alone (8.8.3.3)."""
        return Validators(f'{self.etag[:-1]}-gzip"', self.modified)

    @property
    def last_modified(self) -> str:
        return formatdate(self.modified, usegmt=True)

    def instead(self, headers: Message) -> HTTPStatus | None:
        """What to answer in the file's place, by section 13.2.2: 412, 304 or nothing."""
        match, unmodified = headers.get("If-Match"), headers.get("If-Unmodified-Since")
        if match is not None:
            if not self._listed(match, weak=False):
                return HTTPStatus.PRECONDITION_FAILED
        elif unmodified is not None and self._newer_than(unmodified):
            return HTTPStatus.PRECONDITION_FAILED
        none_match, since = headers.get("If-None-Match"), headers.get("If-Modified-Since")
        if none_match is not None:
            return HTTPStatus.NOT_MODIFIED if self._listed(none_match, weak=True) else None
        known = since is not None and self._newer_than(since) is False
        return HTTPStatus.NOT_MODIFIED if known else None

    def may_resume(self, if_range: str | None) -> bool:
        """Whether a range may be sent: the version that it belongs to is this one."""
        return if_range is None or if_range.strip() in (self.etag, self.last_modified)

    def _listed(self, tags: str, *, weak: bool) -> bool:
        """Whether a list of tags, or `*`, has this one; a weak one counts only if `weak`."""
        words = [word.strip() for word in tags.split(",")]
        plain = [word.removeprefix("W/") for word in words] if weak else words
        return words == ["*"] or self.etag in plain

    def _newer_than(self, date: str) -> bool | None:
        """None where the date cannot be read; it is then as if it were not there."""
        try:
            return self.modified > parsedate_to_datetime(date).timestamp()
        except (ValueError, TypeError, OverflowError, IndexError):
            return None


# What each kind of file in a pack is called over HTTP.
#
# By the IANA registry of media types where it has one; `audio/midi` and
# `audio/mpegurl` are what browsers and phones know (common practice). Python's own table differs
# between systems.

UNKNOWN = "application/octet-stream"
_TEXT = "; charset=utf-8"
MEDIA_TYPES = {
    ".css": "text/css" + _TEXT,
    ".html": "text/html" + _TEXT,
    ".js": "text/javascript" + _TEXT,  # RFC 9239
    ".json": "application/json",  # RFC 8259: always UTF-8
    ".m3u8": "audio/mpegurl" + _TEXT,
    ".mid": "audio/midi",
    ".musicxml": "application/vnd.recordare.musicxml+xml",
    ".mxl": "application/vnd.recordare.musicxml",
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".txt": "text/plain" + _TEXT,
    ".webmanifest": "application/manifest+json",
    ".woff2": "font/woff2",  # RFC 8081
    ".xml": "application/xml",
    ".yaml": "application/yaml",  # RFC 9512
    ".zip": "application/zip",
} | {row.suffix: row.media_type for row in FORMATS.values()}


def media_type(path: Path) -> str:
    """The media type of a file, by its ending."""
    return MEDIA_TYPES.get(path.suffix.lower(), UNKNOWN)


# Compressed on the way (RFC 9110, 8.4): letters shrink to a fifth, and the page's sounds, which are
# letters, by a quarter.  Audio and pictures are compressed already.

_SHRINK = ("text/", "application/json", "application/xml", "application/vnd.recordare.musicxml+xml",
           "application/yaml", "application/manifest+json", "image/svg+xml")  # fmt: skip
_LEAST, _MOST = 512, 1 << 24  # bytes: smaller ones gain nothing, larger ones would fill the memory
_LEVEL = 6  # of zlib: 9 takes three times as long for one per cent


def may_shrink(path: Path, size: int, headers: Message) -> bool:
    """Whether a file goes compressed: the browser takes gzip, and asks for no part of it."""
    codings = [each.strip().split(";") for each in headers.get("Accept-Encoding", "").split(",")]
    refused = ("q=0", "q=0.0", "q=0.00", "q=0.000")
    taken = any(
        name.strip().casefold() in ("gzip", "x-gzip")
        and not any(weight.strip() in refused for weight in weights)
        for name, *weights in codings
    )
    plain = media_type(path).startswith(_SHRINK)
    return taken and plain and _LEAST <= size <= _MOST and "Range" not in headers


# The page of `drillgen play`: it asks whether there is a newer one, and what is wrong in its file.

# In the head, so that it stands there before any script of the page runs, whenever it comes.
_HEAD_ENDS = b"</head>"
_FOLLOW = '<script id="follow" src="follow.js" data-page="{}" defer></script>'
_ASKED = "/following.js"


@dataclass(slots=True)
class Following:
    """What a page that follows a file is told.  Which page it is says its folder's name."""

    wrong: str = ""  # what cannot be read of the file, with its place
    before: Path | None = None  # the page that this one replaced: a browser may still be loading it

    def answer(self, root: Path, target: str) -> tuple[str, bytes] | None:
        """What only such a page has, and its kind; None for what every pack has."""
        path = target.partition("?")[0]
        if path == _ASKED:
            words = f"drillgen.follow({json.dumps(root.name)}, {json.dumps(self.wrong)});\n"
            return MEDIA_TYPES[".js"], words.encode("ascii")
        if path == "/follow.js":
            return MEDIA_TYPES[".js"], (WEB / "follow.js").read_bytes()
        if path in ("/", f"/{INDEX}"):
            head = _FOLLOW.format(root.name).encode("ascii") + _HEAD_ENDS
            return MEDIA_TYPES[".html"], (root / INDEX).read_bytes().replace(_HEAD_ENDS, head, 1)
        return None

    def left_over(self, target: str) -> Path | None:
        """A file that only the page before has."""
        found = self.before and reach(self.before, target)
        return found if found and found.is_file() else None


# The server: a folder, an address, and a thread for each browser.

FIRST_PORT = 8000
_PORTS = 100  # how many are tried, from the first


class ServeError(DrillgenError):
    """The folder cannot be served as asked."""


class PackServer(ThreadingHTTPServer):
    """Serves the folder `root`, read-only.  `shared`: to other machines, too."""

    daemon_threads = True  # Ctrl-C does not wait for a phone that is still loading
    request_queue_size = 512  # a whole school may come at the same moment
    # So that a port is free again at once; on Windows it would let two servers share one.
    allow_reuse_address = os.name == "posix"

    def __init__(self, root: Path, address: IPv4Address, port: int, *, shared: bool) -> None:
        self.root = root
        self.shared = shared
        self.listed = Listed(root) if shared else None
        self.following: Following | None = None
        self.door = Door(super().process_request)
        super().__init__((str(address), port), Handler)

    @property
    def url(self) -> str:
        host, port = self.server_address[:2]
        return f"http://{host!s}:{port}/"

    def server_bind(self) -> None:
        """Without the base's look-up of the address's name, which may take seconds."""
        TCPServer.server_bind(self)

    def get_request(self) -> tuple[Any, Any]:
        """The next connection, when there is room for it."""
        if not self.door.wait_for_room(_FULL):
            raise OSError
        try:
            return super().get_request()
        except OSError:
            time.sleep(_FULL / 10)  # what else has taken all descriptors needs a moment, too
            raise

    def process_request(self, request: Any, client_address: Any) -> None:
        if not self.door.let_in(request, client_address, _REQUEST):
            self.shutdown_request(request)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            self.door.left(request)

    def service_actions(self) -> None:
        self.door.send_away()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that goes away in the middle is no error."""
        if not isinstance(sys.exception(), OSError):
            super().handle_error(request, client_address)


def open_server(
    root: Path, address: IPv4Address, port: int | None = None, *, shared: bool = False
) -> PackServer:
    """A server on a port, or on the first free one from 8000.  Raises ServeError."""
    ports = [port] if port is not None else range(FIRST_PORT, FIRST_PORT + _PORTS)
    for each in ports:
        try:
            return PackServer(root.resolve(), address, each, shared=shared)
        except OSError as error:
            said = reason(error)
    where = f"port {port}" if port is not None else f"any port from {ports[0]} to {ports[-1]}"
    raise ServeError(f"cannot serve on {where} of {address}: {said}")


# One request answered: a file, a part of it, a list of a folder, or why not.
#
# HTTP semantics by RFC 9110, messages by RFC 9112. Only GET and HEAD: nothing can be changed.

_QUIET_SECONDS = 30  # a phone that says nothing for so long is let go; it can come back
_REQUEST = 10.0  # seconds for a whole request; and for an answer so many, and what its bytes take
_SLOWEST = 20_000  # bytes a second
_FULL = 0.5  # seconds between looks at whether there is room again
_NO_FRAMES = "frame-ancestors 'none'"
# On every answer: no guessing of types, no traces elsewhere, in no other site's page.
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
}
# Keep it, but ask: a pack may be built again meanwhile.
_ASK = "no-cache"
# A QR code of a link to a place in what is shared: the page asks for one of its own address.
_CODE = "/qr?to="
_LONGEST_LINK = 1000  # letters: beyond it squares are too small for a phone's camera (from memory)
# What is named by its content is never another (RFC 8246).
_FOR_EVER = "public, max-age=31536000, immutable"
_BY_CONTENT = re.compile(r"[a-z]+-[0-9a-f]{12}\.js")
_REFUSED = ("POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT")  # they could change
# A drawing or a list opened by itself runs nothing and loads nothing.
_STILL = f"default-src 'none'; style-src 'unsafe-inline'; font-src data:; {_NO_FRAMES}"


class Handler(BaseHTTPRequestHandler):
    """Answers for a `PackServer`."""

    server: PackServer
    protocol_version = "HTTP/1.1"
    timeout = _QUIET_SECONDS
    error_message_format = "%(code)d %(message)s\n"
    error_content_type = "text/plain; charset=utf-8"
    _is_first = True  # request of its connection
    _says_how_to_keep = False  # the answer that is being written

    def do_GET(self) -> None:
        self._answer(with_body=True)

    def do_HEAD(self) -> None:
        self._answer(with_body=False)

    def refuse_method(self) -> None:
        self.close_connection = True  # its body is not read
        allowed = {"Allow": "GET, HEAD", "Content-Length": "0", "Connection": "close"}
        self._head(HTTPStatus.METHOD_NOT_ALLOWED, allowed)

    def handle_one_request(self) -> None:
        self.server.door.expect(self.connection, _REQUEST if self._is_first else _QUIET_SECONDS)
        self._is_first = False
        super().handle_one_request()

    def _answer(self, *, with_body: bool) -> None:
        if self.server.door.is_wanted(str(self.client_address[0])):
            self.close_connection = True
        if self.headers.get("Content-Length", "0") != "0" or "Transfer-Encoding" in self.headers:
            self.close_connection = True  # a body that is not read is no next request
        if len(self.headers.get_all("Host", [])) != 1:
            return self.send_error(HTTPStatus.BAD_REQUEST, "one Host is needed")
        target, host = self._asked()
        if not is_ours(host, shared=self.server.shared):
            return self.send_error(HTTPStatus.MISDIRECTED_REQUEST)
        if self.server.following is not None:
            if found := self.server.following.answer(self.server.root, target):
                return self._told(*found, with_body)
            if target.partition("?")[0] == f"/{WORKER}":
                return self.send_error(HTTPStatus.NOT_FOUND)  # no browser keeps such a page
        if self.server.shared and target.startswith(_CODE):
            return self._code(unquote(target.removeprefix(_CODE)), with_body)
        path = self._reach(target)
        if path is not None and path.is_dir():
            return self._folder(path, target, with_body)
        return self._file(path, with_body)

    def _code(self, link: str, with_body: bool) -> None:
        """The QR code of a link to what this server shows, and to nothing else."""
        plain = link.isascii() and link.isprintable() and len(link) <= _LONGEST_LINK
        if not plain or self._reach(link.partition("#")[0]) is None:
            return self.send_error(HTTPStatus.NOT_FOUND)
        body = qr_picture(self.server.url.removesuffix("/") + link)
        facts = {"Content-Type": MEDIA_TYPES[".svg"], "Content-Security-Policy": _STILL}
        self._head(HTTPStatus.OK, facts | {"Content-Length": str(len(body))})
        if with_body:
            self.wfile.write(body)
        return None

    def _told(self, kind: str, body: bytes, with_body: bool) -> None:
        """What a page that follows a file is told: never kept."""
        policy = POLICY.format(scripts="'self'", styles="'self'")
        facts = {"Content-Type": kind, "Content-Security-Policy": f"{policy}; {_NO_FRAMES}"}
        never = {"Content-Length": str(len(body)), "Cache-Control": "no-store"}
        self._head(HTTPStatus.OK, facts | never)
        if with_body:
            self.wfile.write(body)

    def _asked(self) -> tuple[str, str]:
        """The target's path and the host; an absolute target names both (RFC 9112, 3.2.2)."""
        if self.path.startswith("/"):
            return self.path, self.headers["Host"]
        try:
            parts = urlsplit(self.path)
        except ValueError:
            return "", ""
        return parts.path or "/", parts.netloc

    def _reach(self, target: str) -> Path | None:
        found = reach(self.server.root, target, self.server.listed)
        if found is None and self.server.following is not None:
            return self.server.following.left_over(target)
        return found

    def _folder(self, path: Path, target: str, with_body: bool) -> None:
        if not target.partition("?")[0].endswith("/"):
            headers = {"Location": address(self.server.root, path), "Content-Length": "0"}
            return self._head(HTTPStatus.PERMANENT_REDIRECT, headers)
        index = self._reach(address(self.server.root, path) + INDEX)
        if index is not None and index.is_file():
            return self._file(index, with_body)
        body = page(self.server.root, path, self.server.listed)
        facts = {"Content-Type": MEDIA_TYPES[".html"], "Content-Length": str(len(body))}
        self._head(HTTPStatus.OK, facts | {"Content-Security-Policy": _STILL})
        if with_body:
            self.wfile.write(body)
        return None

    def _file(self, path: Path | None, with_body: bool) -> None:
        try:
            if path is None:
                raise FileNotFoundError
            with path.open("rb") as file:
                self._opened(path, file, with_body)
        except (FileNotFoundError, PermissionError, IsADirectoryError):
            self.send_error(HTTPStatus.NOT_FOUND)

    def _opened(self, path: Path, file: IO[bytes], with_body: bool) -> None:
        status = fstat(file.fileno())
        version = Validators.of(status)
        shrinks = may_shrink(path, status.st_size, self.headers)
        version = version.compressed() if shrinks else version
        facts = {"ETag": version.etag, "Last-Modified": version.last_modified} | _keeping(path)
        instead = version.instead(self.headers)
        if instead == HTTPStatus.PRECONDITION_FAILED:
            return self.send_error(instead)
        if instead is not None:
            return self._head(instead, facts)
        if shrinks:
            return self._shrunk(path, file, facts, with_body)
        asked = self.headers.get("Range") if with_body else None  # of GET only: section 14.2
        asked = asked if version.may_resume(self.headers.get("If-Range")) else None
        try:
            part = requested(asked, status.st_size)
        except UnsatisfiableError:
            return self._unsatisfiable(status.st_size)
        code = HTTPStatus.OK if part is None else HTTPStatus.PARTIAL_CONTENT
        self._head(code, facts | _place(part, status.st_size) | _kind(path, file))
        if with_body:
            self._body(file, part or range(status.st_size))
        return None

    def _shrunk(
        self, path: Path, file: IO[bytes], facts: Mapping[str, str], with_body: bool
    ) -> None:
        kind = _kind(path, file)
        body = gzip.compress(file.read(), _LEVEL, mtime=0)
        coded = {"Content-Encoding": "gzip", "Content-Length": str(len(body))}
        self._head(HTTPStatus.OK, {**facts, **kind, **coded})
        if with_body:
            self.server.door.expect(self.connection, _REQUEST + len(body) / _SLOWEST)
            self.wfile.write(body)

    def _body(self, file: IO[bytes], part: range) -> None:
        self.server.door.expect(self.connection, _REQUEST + len(part) / _SLOWEST)
        if part and self.connection.sendfile(file, part.start, len(part)) < len(part):
            self.close_connection = True  # the file became shorter: the browser must not wait

    def _unsatisfiable(self, size: int) -> None:
        headers = {"Content-Range": f"bytes */{size}", "Content-Length": "0"}
        self._head(HTTPStatus.REQUESTED_RANGE_NOT_SATISFIABLE, headers)

    def _head(self, status: HTTPStatus, headers: Mapping[str, str]) -> None:
        self.send_response(status)
        self._says_how_to_keep = "Cache-Control" in headers
        for name, value in headers.items():
            self.send_header(name, value)
        self.end_headers()

    def end_headers(self) -> None:
        """Every answer, refusals too, says how a browser is to treat it."""
        for name, value in _HEADERS.items():
            self.send_header(name, value)
        if not self._says_how_to_keep:
            self.send_header("Cache-Control", _ASK)
        self._says_how_to_keep = False
        super().end_headers()

    def version_string(self) -> str:
        return "drillgen"

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the base's name
        """Who reads what in a class is nobody's business."""


for _method in _REFUSED:
    setattr(Handler, f"do_{_method}", Handler.refuse_method)


def _keeping(path: Path) -> dict[str, str]:
    """How a file is kept in between, and that there may be another form of it."""
    facts = {"Vary": "Accept-Encoding"} if media_type(path).startswith(_SHRINK) else {}
    named = path.parent.name == FOLDER and _BY_CONTENT.fullmatch(path.name)
    return facts | ({"Cache-Control": _FOR_EVER} if named else {})


def _place(part: range | None, size: int) -> dict[str, str]:
    """What part of a file of `size` bytes is sent; None is the whole."""
    length = {"Accept-Ranges": "bytes", "Content-Length": str(size if part is None else len(part))}
    if part is None:
        return length
    return length | {"Content-Range": f"bytes {part.start}-{part.stop - 1}/{size}"}


def _kind(path: Path, file: IO[bytes]) -> dict[str, str]:
    kind = media_type(path)
    policy = _NO_FRAMES
    if kind == MEDIA_TYPES[".svg"]:
        policy = _STILL
    elif kind == MEDIA_TYPES[".html"]:
        policy = f"{_page_policy(file)}; {_NO_FRAMES}"
    return {"Content-Type": kind, "Content-Security-Policy": policy}


# The hashes of a page in one file, which its own policy names (CSP level 3, 2.3.1).
_HASHES = r"((?:'sha256-[A-Za-z0-9+/]{43}='(?: (?=')|))+)"
_ALONE = re.compile(re.sub(r"\\\{\w+\\\}", lambda _: _HASHES, re.escape(POLICY)))
_HEAD_OF_A_PAGE = 1 << 14  # bytes in which its policy stands


def _page_policy(file: IO[bytes]) -> str:
    """The practice page's policy, for whatever HTML is in the folder: scripts of the pack alone,
    or those whose hashes the page names, and nothing from elsewhere."""
    head = file.read(_HEAD_OF_A_PAGE).decode("utf-8", errors="replace")
    file.seek(0)
    own = _ALONE.search(head)
    scripts, styles = own.groups() if own else ("'self'", "'self'")
    return POLICY.format(scripts=scripts, styles=styles)
