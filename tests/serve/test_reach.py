"""What cannot be had: anything outside the pack, hidden or half-written."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drillgen.serve.door import reach, visible
from tests.serve.serving import Served, make_pack


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_pack(tmp_path_factory.mktemp("reach")).parent


# Ways out of a folder as web servers have been tried for decades (CWE-22, CWE-59; common practice).
OUTSIDE = [
    "/../secret.txt",
    "/..",
    "/../pack-too/secret.txt",
    "/%2e%2e/secret.txt",
    "/%2E%2E%2Fsecret.txt",
    "/..%2fsecret.txt",
    "/..%5csecret.txt",
    "/..\\secret.txt",
    "/%252e%252e/secret.txt",
    "/.%00./secret.txt",
    "/index.html%00.txt",
    "/01%20Thirds%20&%20sevenths/../../secret.txt",
    "/01%20Thirds%20&%20sevenths/..%2f..%2fsecret.txt",
    "/./index.html",
    "//etc/passwd",
    "///etc/passwd",
    "//../secret.txt",
    "/etc/passwd",
    "/%2fetc/passwd",
    "/C:/secret.txt",
    "/C:%5Csecret.txt",
    "/index.html::$DATA",
    "/%c0%ae%c0%ae/secret.txt",
    "/%ff",
    "/out.txt",
    "/up/secret.txt",
    "/up/",
    "/up/pack/index.html/../../secret.txt",
    "/round",
    "/.hidden",
    "/%2ehidden",
    "/unhidden.txt",
    "/.part-0123",
    "/.git/config",
    "/.git/",
    "/index.html/",
    "/" + "x" * 5000,
    "*",
    "..",
    "secret.txt",
    "../secret.txt",
    "file:///etc/passwd",
    "http://localhost/../secret.txt",
    "http://[/",
]


@pytest.mark.parametrize("target", OUTSIDE)
def test_nothing_outside_can_be_reached(served: Served, target: str) -> None:
    """No way out of the folder, sent as it is over a socket, gets anything but a refusal."""
    request = f"GET {target} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
    answer = served.raw(request.encode("utf-8"))
    status = answer.split(b" ", 2)[1]
    assert status in (b"404", b"400", b"421", b"414"), answer[:200]
    assert b"secret" not in answer and b"root:" not in answer


_PIECES = (
    *("..", ".", "%2e%2e", "%2E", "/", "%2f", "\\", "%5c", "%00", "%25", "?", "#", "up", "pack"),
    *("out.txt", "secret.txt", "index.html", "inside", ".hidden", "unhidden.txt", "round", "a b"),
)


@given(st.lists(st.sampled_from(_PIECES), max_size=12).map("".join))
def test_whatever_is_asked_the_answer_lies_inside(made: Path, target: str) -> None:
    """No mixture of separators, dots, escapes and links leads out of the folder, or to what is
    hidden in it."""
    root = (made / "pack").resolve()
    found = reach(root, f"/{target}")
    if found is not None:
        inside = found.resolve().relative_to(root)  # raises where it is not inside
        assert not any(part.startswith(".") for part in inside.parts)


def test_what_is_inside_can_be_reached(served: Served) -> None:
    """A link that stays inside works, an absolute target too (RFC 9112, 3.2.2), and a query is
    left alone."""
    page = b"<!doctype html><p>the page</p>"
    assert served.ask("/inside").body == page
    assert served.ask("/index.html?loop=1#bar").body == page
    answer = served.raw(b"GET http://localhost/ HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
    assert answer.startswith(b"HTTP/1.1 200 ") and answer.endswith(page)


def test_a_list_shows_only_what_can_be_reached(tmp_path: Path) -> None:
    """Hidden files and ways out do not stand in a folder's list."""
    pack = make_pack(tmp_path)
    assert {path.name for path in visible(pack.resolve(), pack)} == {
        "01 Thirds & sevenths",
        "empty.wav",
        "index.html",
        "inside",
        "manifest.json",
        "mine",
        "mine.txt",
        "strip.svg",
    }


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8000", 200),
        ("localhost:8000", 200),
        ("LOCALHOST", 200),
        ("other-site.example:8000", 421),
        ("localhost.other-site.example", 421),
        ("127.0.0.1.other-site.example:8000", 421),
        ("192.168.1.20:8000", 421),
        ("[::1]:8000", 421),
        ("", 421),
    ],
)
def test_another_site_s_name_is_refused(served: Served, host: str, status: int) -> None:
    """A page elsewhere that makes its name point here reads nothing (DNS rebinding; 421 by RFC
    9110, 15.5.20)."""
    answer = served.raw(f"GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode())
    assert answer.split(b" ", 2)[1] == str(status).encode()


@pytest.mark.parametrize("hosts", ["", "Host: localhost\r\nHost: localhost\r\n"])
def test_a_request_names_one_host(served: Served, hosts: str) -> None:
    """400 for none or two (RFC 9112, 3.2)."""
    answer = served.raw(f"GET / HTTP/1.1\r\n{hosts}Connection: close\r\n\r\n".encode())
    assert answer.split(b" ", 2)[1] == b"400"
