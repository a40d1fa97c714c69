"""One page for many tests, in a real browser: Debian's chromium, from disk and over HTTP."""

from __future__ import annotations

import contextlib
import functools
import sys
import threading
from collections.abc import Iterator
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.page.pages import ASKING, HOSTILE, Made, View, make_page

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")


@pytest.fixture(scope="session")
def made(notes: Path) -> Made:
    """A page of two drills, one of them with a hostile title, built by the worker that first needs
    it."""
    return make_page(notes.with_name("page"), HOSTILE)


@pytest.fixture(scope="session")
def asking(notes: Path) -> Made:
    """A page of a drill that asks for answers, and one that has no responses."""
    return make_page(notes.with_name("asking"), ASKING, "--no-sheets")


@pytest.fixture(scope="session")
def served(made: Made) -> Iterator[str]:
    """The same page over HTTP."""
    with serving(made) as address:
        yield address


@contextlib.contextmanager
def serving(made: Made) -> Iterator[str]:
    """A page over HTTP, by Python's own server: its address."""
    handler = functools.partial(_Quiet, directory=str(made.folder))
    with _Server(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}/index.html"
        server.shutdown()


class _Server(ThreadingHTTPServer):
    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that leaves while it is answered is no error."""
        if not isinstance(sys.exception(), OSError):
            super().handle_error(request, client_address)


class _Quiet(SimpleHTTPRequestHandler):
    def log_message(self, *_: object) -> None:
        """Nothing into the tests' output."""


@pytest.fixture
def view(browser: Browser, made: Made) -> Iterator[View]:
    """The page from disk, with its content-security policy in force: in one file, which opens
    sooner than the hundred that `made.index` reads."""
    with View(browser, made.one_file.as_uri()) as view:
        yield view
        assert view.problems == []


@pytest.fixture(scope="module")
def first_seen(browser: Browser, made: Made) -> Iterator[View]:
    """A page of which nothing is touched, for all tests that only look at it."""
    with View(browser, made.index.as_uri()) as view:
        yield view
        assert view.problems == []
