"""The server: a folder, an address, and a thread for each browser."""

from __future__ import annotations

import os
import sys
from http.server import ThreadingHTTPServer
from ipaddress import IPv4Address
from pathlib import Path
from socketserver import TCPServer
from typing import Any

from drillgen.errors import DrillgenError
from drillgen.share.handler import Handler

FIRST_PORT = 8000
_PORTS = 100  # how many are tried, from the first


class ServeError(DrillgenError):
    """The folder cannot be served as asked."""


class PackServer(ThreadingHTTPServer):
    """Serves the folder `root`, read-only.  `shared`: to other machines, too."""

    daemon_threads = True  # Ctrl-C does not wait for a phone that is still loading
    request_queue_size = 64  # a whole class may come at the same moment
    # So that a port is free again at once; on Windows it would let two servers share one.
    allow_reuse_address = os.name == "posix"

    def __init__(self, root: Path, address: IPv4Address, port: int, *, shared: bool) -> None:
        self.root = root
        self.shared = shared
        super().__init__((str(address), port), Handler)

    @property
    def url(self) -> str:
        host, port = self.server_address[:2]
        return f"http://{host!s}:{port}/"

    def server_bind(self) -> None:
        """Without the base's look-up of the address's name, which may take seconds."""
        TCPServer.server_bind(self)

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
            reason = (error.strerror or str(error)).lower()
    where = f"port {port}" if port is not None else f"any port from {ports[0]} to {ports[-1]}"
    raise ServeError(f"cannot serve on {where} of {address}: {reason}")
