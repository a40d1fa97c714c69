"""`drillgen serve`: what it says, where it listens, and how it stops."""

from __future__ import annotations

import json
import re
import socket
import struct
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

import numpy as np
import pytest

from drillgen.disk import whole_file
from drillgen.serve.door import local_address, qr_code
from tests.conftest import Run
from tests.serve.serving import NAME, Served, make_pack, serve


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    return make_pack(tmp_path)


Start = Callable[..., Served]


@pytest.fixture
def start(pack: Path) -> Iterator[Start]:
    """Starts the command with some options; whatever happens, it is ended with the test."""
    running: list[Served] = []

    def begin(*arguments: str) -> Served:
        running.append(serve(pack, *arguments))
        return running[-1]

    yield begin
    for served in running:
        served.end()


_RESET = struct.pack("ii", 1, 0)  # a connection is closed at once, with what was to come


def _stopped(served: Served) -> None:
    code, said, error = served.stop()
    assert (code, error) == (0, "")
    assert len(said.split("\n")) <= 3 and "Stopped" in said


def test_it_says_what_is_open_and_stops_on_ctrl_c(pack: Path, start: Start) -> None:
    """On this machine only: folder, address and audience are said; Ctrl-C ends it with code 0 and
    a line, even while a browser is still connected; of browsers that left while they were answered
    nothing is said."""
    served = start()
    said = served.said
    assert str(pack) in said and f"http://127.0.0.1:{served.port}/" in said
    assert "this machine only" in said and served.port >= 8000
    for _ in range(8):
        with socket.create_connection((served.host, served.port)) as leaving:
            leaving.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
            leaving.sendall(f"GET / HTTP/1.1\r\nHost: {served.host}\r\n\r\n".encode())
    with socket.create_connection((served.host, served.port)):
        assert served.ask("/").status == 200
        _stopped(served)


def test_only_this_machine_is_listened_to(start: Start) -> None:
    """Without --lan the port is shut on this machine's other addresses."""
    other = local_address()
    with closing(socket.socket()) as free:  # on all addresses: somebody may serve a pack on some
        free.bind(("", 0))
        port = free.getsockname()[1]
    served = start("--port", str(port))
    if other is not None:
        with pytest.raises(OSError):
            socket.create_connection((str(other), served.port), timeout=2).close()
    _stopped(served)


def test_the_next_free_port_is_taken(start: Start) -> None:
    """A port in use is passed over; one that was asked for and is in use is an error."""
    first = start()
    second = start()  # above or below: whoever had port 8000 may have left it in between
    assert second.port != first.port and min(first.port, second.port) >= 8000
    _stopped(second)
    _stopped(first)


def test_a_port_in_use_is_named(pack: Path, start: Start, drillgen: Run) -> None:
    """`--port` takes that port, or says that it cannot."""
    with closing(socket.socket()) as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        done = drillgen("serve", pack, "--port", port)
        assert done.returncode == 2 and port in done.stderr and "Traceback" not in done.stderr
    served = start("--port", port)
    assert served.port == int(port)
    _stopped(served)


@pytest.mark.parametrize(
    "arguments",
    [
        ["no-such-folder"],
        ["."],  # no pack: a slip of the pen must not open a home folder to a class
        ["pack/manifest.json"],
        ["pack", "--address", "127.0.0.1"],
        ["pack", "--lan", "--address", "here"],
        ["pack", "--lan", "--address", "203.0.113.7"],  # not this machine's (RFC 5737)
    ],
)
def test_what_cannot_be_served_is_said(
    pack: Path, tmp_path: Path, drillgen: Run, arguments: list[str]
) -> None:
    """Exit code 2, words on standard error, no traceback."""
    done = drillgen("serve", *arguments, cwd=tmp_path)
    assert done.returncode == 2 and done.stderr.strip() and "Traceback" not in done.stderr


def test_a_file_is_no_folder(pack: Path, tmp_path: Path, drillgen: Run) -> None:
    """A drill's name instead of its pack's: it is there, and said to be a file."""
    done = drillgen("serve", "pack/manifest.json", cwd=tmp_path)
    assert "is a file" in done.stderr and "no such" not in done.stderr


@pytest.fixture
def on_the_lan(start: Start) -> Served:
    return start("--lan", *(() if local_address() else ("--address", "127.0.0.1")))


def test_the_local_network(on_the_lan: Served) -> None:
    """--lan says who can read what; any address of the machine will do as Host, another site's
    name will not."""
    said = on_the_lan.said
    assert "local network" in said and "Everyone" in said and "not encrypted" in said
    assert on_the_lan.ask("/").status == 200
    assert on_the_lan.ask("/", {"Host": "192.168.1.20"}).status == 200
    assert on_the_lan.ask("/", {"Host": f"{socket.gethostname()}.local:8000"}).status == 200
    assert on_the_lan.ask("/", {"Host": "other-site.example"}).status == 421
    assert on_the_lan.ask("/../secret.txt").status == 404
    _stopped(on_the_lan)


def test_others_see_what_the_manifest_lists(on_the_lan: Served, start: Start) -> None:
    """Over the network a file that lies in the folder and is not listed cannot be had, nor a folder
    without a listed one, nor what a listed name leads out to; on this machine what is in the
    folder can."""
    for target in ("/mine.txt", "/mine/", "/mine", "/mine/marks.txt", "/out.txt", "/up/secret.txt"):
        assert on_the_lan.ask(target).status == 404, target
    for target in ("/manifest.json", "/strip.svg", "/" + quote(NAME), "/"):
        assert on_the_lan.ask(target).status == 200, target
    assert b"mine" not in on_the_lan.ask("/" + quote(NAME).rpartition("/")[0] + "/").body
    assert start().ask("/mine.txt").status == 200


def test_a_manifest_that_is_renewed(on_the_lan: Served, pack: Path) -> None:
    """What a new build lists is served from then on, without another start."""
    document = {"program": "drillgen", "others": [{"files": ["mine.txt"]}]}
    with whole_file(pack / "manifest.json") as file:
        file.write(json.dumps(document).encode())
    assert on_the_lan.ask("/mine.txt").status == 200
    assert on_the_lan.ask("/strip.svg").status == 404


def test_a_camera_can_read_the_code(on_the_lan: Served) -> None:
    """The squares in the terminal, read by ZXing (PyPI zxing-cpp), are the address."""
    zxingcpp = pytest.importorskip("zxingcpp")
    found = zxingcpp.read_barcodes(np.kron(_squares(on_the_lan.said), np.ones((8, 8), np.uint8)))
    assert [code.text for code in found] == [f"http://{on_the_lan.host}:{on_the_lan.port}/"]


def test_codes_are_of_what_is_shown_alone(on_the_lan: Served, start: Start) -> None:
    """A QR code on request leads to a place in what is shared, and nowhere else; shown on this
    machine only, there is none."""
    found = on_the_lan.ask("/qr?to=/index.html%23tempo%3D90")
    assert found.status == 200 and found.headers["Content-Type"] == "image/svg+xml"
    assert b"<svg" in found.body and b"script" not in found.body
    wrong = ("https://other-site.example/", "//other-site.example/", "/mine.txt", "/../secret.txt")
    for to in (*wrong, "", "index.html", "/%0d%0aX:1", "/%E2%80%AE", "/%23" + 1000 * "x"):
        assert on_the_lan.ask(f"/qr?to={to}").status == 404, to
    assert start().ask("/qr?to=/index.html").status == 404


def _squares(said: str) -> np.ndarray:
    """What the block elements draw (Unicode U+2580, 2584, 2588), lit halves white."""
    lit = {"█": (255, 255), "▀": (255, 0), "▄": (0, 255), " ": (0, 0)}
    drawn = [line for line in said.splitlines() if "█" in line]
    halves = [[lit[sign] for sign in line] for line in drawn]
    rows = [[half[row] for half in line] for line in halves for row in (0, 1)]
    return np.array(rows, np.uint8)


@pytest.mark.skipif(sys.platform == "win32", reason="needs a terminal of POSIX")
def test_the_code_is_black_on_white_in_a_terminal() -> None:
    """Whatever the terminal's colours are, the light squares are set white on black (ECMA-48: 97
    and 40), since a code in negative is not read by every camera."""
    lines = qr_code("http://192.168.1.20:8000/").splitlines()
    assert len({len(line) for line in lines}) == 1
    assert all(re.fullmatch(r"\x1b\[97m\x1b\[40m[█▀▄ ]+\x1b\[0m", line) for line in lines)


def test_the_address_is_this_machine_s() -> None:
    """It is one of the addresses that the system itself names, and never a loopback one."""
    address = local_address()
    if address is None:
        pytest.skip("this machine is on no network")
    assert not address.is_loopback
    with closing(socket.socket()) as own:
        own.bind((str(address), 0))  # only an own address can be bound


def test_help_says_what_lan_does(drillgen: Run) -> None:
    """The options are explained, and asking for them imports no server."""
    done = drillgen("serve", "--help")
    assert done.returncode == 0 and "local network" in done.stdout
