"""One request answered: a file, a part of it, a list of a folder, or why not.

HTTP semantics by RFC 9110, messages by RFC 9112.  Only GET and HEAD: nothing can be changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler
from os import fstat
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any
from urllib.parse import urlsplit

from drillgen.share import listing
from drillgen.share.addresses import is_ours
from drillgen.share.media_types import MEDIA_TYPES, media_type
from drillgen.share.ranges import UnsatisfiableError, requested
from drillgen.share.reach import address, reach
from drillgen.share.validators import Validators

if TYPE_CHECKING:
    from drillgen.share.server import PackServer

INDEX = "index.html"
_QUIET_SECONDS = 30  # a phone that says nothing for so long is let go; it can come back
_NO_FRAMES = "frame-ancestors 'none'"
# On every answer: no guessing of types, no traces elsewhere, in no other site's page.
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-cache",  # keep it, but ask: a pack may be built again meanwhile
}
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

    def do_GET(self) -> None:
        self._answer(with_body=True)

    def do_HEAD(self) -> None:
        self._answer(with_body=False)

    def refuse_method(self) -> None:
        self.close_connection = True  # its body is not read
        allowed = {"Allow": "GET, HEAD", "Content-Length": "0", "Connection": "close"}
        self._head(HTTPStatus.METHOD_NOT_ALLOWED, allowed)

    def _answer(self, *, with_body: bool) -> None:
        if self.headers.get("Content-Length", "0") != "0" or "Transfer-Encoding" in self.headers:
            self.close_connection = True  # a body that is not read is no next request
        if len(self.headers.get_all("Host", [])) != 1:
            return self.send_error(HTTPStatus.BAD_REQUEST, "one Host is needed")
        target, host = self._asked()
        if not is_ours(host, shared=self.server.shared):
            return self.send_error(HTTPStatus.MISDIRECTED_REQUEST)
        path = reach(self.server.root, target)
        if path is not None and path.is_dir():
            return self._folder(path, target, with_body)
        return self._file(path, with_body)

    def _asked(self) -> tuple[str, str]:
        """The target's path and the host; an absolute target names both (RFC 9112, 3.2.2)."""
        if self.path.startswith("/"):
            return self.path, self.headers["Host"]
        try:
            parts = urlsplit(self.path)
        except ValueError:
            return "", ""
        return parts.path or "/", parts.netloc

    def _folder(self, path: Path, target: str, with_body: bool) -> None:
        if not target.partition("?")[0].endswith("/"):
            headers = {"Location": address(self.server.root, path), "Content-Length": "0"}
            return self._head(HTTPStatus.PERMANENT_REDIRECT, headers)
        index = reach(self.server.root, address(self.server.root, path) + INDEX)
        if index is not None and index.is_file():
            return self._file(index, with_body)
        body = listing.page(self.server.root, path)
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
        facts = {"ETag": version.etag, "Last-Modified": version.last_modified}
        instead = version.instead(self.headers)
        if instead == HTTPStatus.PRECONDITION_FAILED:
            return self.send_error(instead)
        if instead is not None:
            return self._head(instead, facts)
        asked = self.headers.get("Range") if with_body else None  # of GET only: section 14.2
        asked = asked if version.may_resume(self.headers.get("If-Range")) else None
        try:
            part = requested(asked, status.st_size)
        except UnsatisfiableError:
            return self._unsatisfiable(status.st_size)
        code = HTTPStatus.OK if part is None else HTTPStatus.PARTIAL_CONTENT
        self._head(code, facts | _place(part, status.st_size) | _kind(path))
        if with_body:
            self._body(file, part or range(status.st_size))
        return None

    def _body(self, file: IO[bytes], part: range) -> None:
        if part and self.connection.sendfile(file, part.start, len(part)) < len(part):
            self.close_connection = True  # the file became shorter: the browser must not wait

    def _unsatisfiable(self, size: int) -> None:
        headers = {"Content-Range": f"bytes */{size}", "Content-Length": "0"}
        self._head(HTTPStatus.REQUESTED_RANGE_NOT_SATISFIABLE, headers)

    def _head(self, status: HTTPStatus, headers: Mapping[str, str]) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.end_headers()

    def end_headers(self) -> None:
        """Every answer, refusals too, says how a browser is to treat it."""
        for name, value in _HEADERS.items():
            self.send_header(name, value)
        super().end_headers()

    def version_string(self) -> str:
        return "drillgen"

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the base's name
        """Who reads what in a class is nobody's business."""


for _method in _REFUSED:
    setattr(Handler, f"do_{_method}", Handler.refuse_method)


def _place(part: range | None, size: int) -> dict[str, str]:
    """What part of a file of `size` bytes is sent; None is the whole."""
    length = {"Accept-Ranges": "bytes", "Content-Length": str(size if part is None else len(part))}
    if part is None:
        return length
    return length | {"Content-Range": f"bytes {part.start}-{part.stop - 1}/{size}"}


def _kind(path: Path) -> dict[str, str]:
    kind = media_type(path)
    policy = _STILL if kind == MEDIA_TYPES[".svg"] else _NO_FRAMES
    return {"Content-Type": kind, "Content-Security-Policy": policy}
