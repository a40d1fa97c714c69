"""What a browser gets: files, parts of files, and the rules of HTTP (RFC 9110)."""

from __future__ import annotations

import gzip
import socket
import threading
from email.utils import formatdate
from pathlib import Path
from urllib.parse import quote

import pytest

from drillgen.disk import whole_file
from drillgen.serve.server import Validators, media_type
from tests.serve.serving import NAME, PATIENCE, TEN_THOUSAND, Served, make_pack, serve

TRACK = "/" + quote(NAME)


def test_the_root_is_the_page(served: Served) -> None:
    """`/` is index.html, as on any web server; HEAD gives its headers alone (RFC 9110, 9.3.2)."""
    page, head = served.ask("/"), served.ask("/", method="HEAD")
    assert (page.status, page.body) == (200, b"<!doctype html><p>the page</p>")
    assert (head.status, head.body) == (200, b"")
    del page.headers["Date"], head.headers["Date"]
    assert page.headers.items() == head.headers.items()


# RFC 9110, section 14.1.2: "Examples of byte-ranges-specifier values ... assuming a representation
# of length 10000", and 14.4's Content-Range.
@pytest.mark.parametrize(
    ("asked", "first", "last"),
    [
        ("bytes=0-499", 0, 499),  # the first 500 bytes
        ("bytes=500-999", 500, 999),  # the second 500 bytes
        ("bytes=-500", 9500, 9999),  # the final 500 bytes
        ("bytes=9500-", 9500, 9999),  # the same
        ("bytes=0-0", 0, 0),  # the first byte
        ("bytes=-1", 9999, 9999),  # the last byte
        ("BYTES=9999-20000", 9999, 9999),  # beyond the end: what there is; units in any case
        ("bytes=-20000", 0, 9999),  # longer than the file: all of it
    ],
)
def test_a_range_gives_these_bytes(served: Served, asked: str, first: int, last: int) -> None:
    """206 with exactly the bytes asked for, and Content-Range says which."""
    answer = served.ask(TRACK, {"Range": asked})
    assert answer.status == 206
    assert answer.body == TEN_THOUSAND[first : last + 1]
    assert answer.headers["Content-Range"] == f"bytes {first}-{last}/10000"
    assert answer.headers["Content-Length"] == str(last - first + 1)


@pytest.mark.parametrize("asked", ["bytes=10000-", "bytes=10000-10001", "bytes=-0"])
def test_a_range_beyond_the_file_is_refused(served: Served, asked: str) -> None:
    """416 with the length (RFC 9110, 15.5.17)."""
    answer = served.ask(TRACK, {"Range": asked})
    assert (answer.status, answer.body) == (416, b"")
    assert answer.headers["Content-Range"] == "bytes */10000"


@pytest.mark.parametrize(
    "asked",
    [
        "bytes=0-0,-1",  # several: may be answered with the whole (14.2)
        "seconds=0-5",  # another unit must be ignored (14.2)
        "bytes=5-4",  # invalid (14.1.1)
        "bytes=-",
        "bytes=",
        "bytes=a-b",
        "bytes=+1-2",
        f"bytes={'9' * 5000}-",
        "0-4",
    ],
)
def test_other_ranges_get_the_whole_file(served: Served, asked: str) -> None:
    """Ranges of another unit, invalid ones and several at once are answered with 200."""
    answer = served.ask(TRACK, {"Range": asked})
    assert (answer.status, answer.body) == (200, TEN_THOUSAND)
    assert "Content-Range" not in answer.headers and answer.headers["Accept-Ranges"] == "bytes"


def test_ranges_are_for_get_only(served: Served) -> None:
    """A "server MUST ignore a Range header field received with a request method that is
    unrecognized or for which range handling is not defined" (14.2): HEAD has none."""
    assert served.ask(TRACK, {"Range": "bytes=0-4"}, "HEAD").status == 200


def test_an_empty_file(served: Served) -> None:
    """Nothing to send is sent as nothing; no first byte can be had of it."""
    assert (served.ask("/empty.wav").status, served.ask("/empty.wav").body) == (200, b"")
    assert served.ask("/empty.wav", {"Range": "bytes=0-0"}).status == 416
    assert served.ask("/empty.wav", {"Range": "bytes=-5"}).status == 200


def test_a_part_is_resumed_only_of_the_same_version(served: Served) -> None:
    """If-Range with another or a weak tag, or another date, gives the whole file (13.1.5)."""
    whole = served.ask(TRACK)
    same = (whole.headers["ETag"], whole.headers["Last-Modified"])
    for validator in same:
        got = served.ask(TRACK, {"Range": "bytes=0-4", "If-Range": validator})
        assert got.status == 206
    for validator in ('"other"', f"W/{same[0]}", formatdate(0, usegmt=True), "nonsense"):
        assert served.ask(TRACK, {"Range": "bytes=0-4", "If-Range": validator}).status == 200


def test_what_a_phone_has_is_not_sent_again(served: Served) -> None:
    """304 without a body for a known tag, weak or listed or `*`, or a known date; the tag goes
    before the date (13.1.2, 13.1.3, 13.2.2)."""
    whole = served.ask(TRACK)
    tag, date = whole.headers["ETag"], whole.headers["Last-Modified"]
    for known in (tag, f"W/{tag}", f'"x", {tag}', "*"):
        answer = served.ask(TRACK, {"If-None-Match": known})
        assert (answer.status, answer.body, answer.headers["ETag"]) == (304, b"", tag)
    assert served.ask(TRACK, {"If-Modified-Since": date}).status == 304
    old = formatdate(0, usegmt=True)
    assert served.ask(TRACK, {"If-Modified-Since": old}).status == 200
    assert served.ask(TRACK, {"If-Modified-Since": "yesterday"}).status == 200
    assert served.ask(TRACK, {"If-None-Match": '"x"', "If-Modified-Since": date}).status == 200
    assert served.ask(TRACK, {"If-Match": '"x"'}).status == 412
    assert served.ask(TRACK, {"If-Match": f'"x", {tag}', "Range": "bytes=0-0"}).status == 206
    assert served.ask(TRACK, {"If-Unmodified-Since": old}).status == 412


def test_letters_go_compressed(tmp_path: Path) -> None:
    """Where a browser takes gzip (RFC 9110, 12.5.3), text is sent so and unpacks to the file's
    bytes (RFC 1952, by Python's gzip); with a tag of its own (8.8.3.3), known again, and `Vary`;
    not to who refuses it by a weight of 0, nor in parts.  What is named by its content may be
    kept for ever (RFC 8246); the rest is asked for anew."""
    text = b'drillgen.take("x", "' + b"la " * 1000 + b'");\n'
    pack = make_pack(tmp_path)
    (pack / "page").mkdir()
    for name in ("page/tone-0123456789ab.js", "page/stand.js"):
        (pack / name).write_bytes(text)
    own, path = serve(pack), "/page/tone-0123456789ab.js"
    try:
        _asked_compressed(own, path, text)
    finally:
        own.end()


def _asked_compressed(own: Served, path: str, text: bytes) -> None:
    plain, small = own.ask(path), own.ask(path, {"Accept-Encoding": "br, gzip;q=0.8"})
    assert (plain.body, gzip.decompress(small.body)) == (text, text)
    assert len(small.body) < len(text) / 10 and small.headers["Content-Encoding"] == "gzip"
    assert small.headers["Vary"] == plain.headers["Vary"] == "Accept-Encoding"
    assert small.headers["ETag"] != plain.headers["ETag"]
    known = {"Accept-Encoding": "gzip", "If-None-Match": small.headers["ETag"]}
    assert own.ask(path, known).status == 304
    assert own.ask(path, {"Accept-Encoding": "gzip;q=0"}).body == text
    part = own.ask(path, {"Accept-Encoding": "gzip", "Range": "bytes=0-3"})
    assert (part.status, part.body) == (206, text[:4])
    assert "immutable" in small.headers["Cache-Control"]
    assert own.ask("/page/stand.js").headers["Cache-Control"] == "no-cache"


def test_a_file_that_is_built_again_has_another_tag(tmp_path: Path) -> None:
    """The validator changes with the file (8.8.1)."""
    path = tmp_path / "a.wav"
    tags = set()
    for content in (b"one", b"two", b"three"):
        with whole_file(path) as file:
            file.write(content)
        tags.add(Validators.of(path.stat()).etag)
    assert len(tags) == 3


def test_types_are_named_and_not_guessed(served: Served) -> None:
    """Media types by the IANA registry, with `nosniff` (Fetch standard), no referrer, no frames."""
    types = {TRACK: "audio/mp4", "/strip.svg": "image/svg+xml", "/": "text/html; charset=utf-8"}
    for target, kind in types.items():
        headers = served.ask(target).headers
        assert headers["Content-Type"] == kind
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert "default-src 'none'" in served.ask("/strip.svg").headers["Content-Security-Policy"]
    assert served.ask("/nothing").headers["X-Content-Type-Options"] == "nosniff"


# The registrations themselves, from memory.
REGISTERED = {
    "a.mp3": "audio/mpeg",  # RFC 3003
    "a.M4A": "audio/mp4",  # RFC 4337
    "a.opus": "audio/ogg",  # RFC 7845, section 9
    "a.flac": "audio/flac",  # RFC 9639
    "a.js": "text/javascript",  # RFC 9239
    "a.json": "application/json",  # RFC 8259
    "a.pdf": "application/pdf",  # RFC 8118
    "a.png": "image/png",  # W3C PNG
    "a.svg": "image/svg+xml",  # W3C SVG 1.1, appendix P
    "a.musicxml": "application/vnd.recordare.musicxml+xml",  # W3C MusicXML 4.0
    "a.woff2": "font/woff2",  # RFC 8081
    "a.yaml": "application/yaml",  # RFC 9512
    "a.m3u8": "audio/mpegurl",  # RFC 8216, section 4: one of two names
    "a.unknown": "application/octet-stream",  # RFC 2046
}


@pytest.mark.parametrize(("name", "kind"), REGISTERED.items())
def test_types_are_the_registered_ones(name: str, kind: str) -> None:
    """Each ending has the media type that its registration names; case does not count."""
    assert media_type(Path(name)).partition(";")[0] == kind


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_nothing_can_be_changed(served: Served, method: str) -> None:
    """Any other method is refused, with what is allowed (15.5.6)."""
    answer = served.ask("/index.html", {"Content-Length": "0"}, method)
    assert (answer.status, answer.headers["Allow"]) == (405, "GET, HEAD")


def test_an_unknown_method_is_not_implemented(served: Served) -> None:
    """501 for a method that HTTP does not know (15.6.2)."""
    assert served.ask("/", method="BREW").status == 501


def test_a_body_is_not_taken_for_a_request(served: Served) -> None:
    """What a GET carries along is no second request (RFC 9112, 9.3: framing)."""
    inner = b"GET /strip.svg HTTP/1.1\r\nHost: localhost\r\n\r\n"
    outer = b"GET / HTTP/1.1\r\nHost: localhost\r\nContent-Length: %d\r\n\r\n" % len(inner)
    assert served.raw(outer + inner).count(b"HTTP/1.1 ") == 1


def test_many_phones_at_once(served: Served) -> None:
    """Twenty requests together all get their bytes, while one phone has stopped in the middle."""
    slow = socket.create_connection((served.host, served.port), timeout=PATIENCE)
    slow.sendall(b"GET / HTTP/1.1\r\nHost:")
    got: list[bytes] = []
    phones = [
        threading.Thread(target=lambda: got.append(served.ask(TRACK).body)) for _ in range(20)
    ]
    for phone in phones:
        phone.start()
    for phone in phones:
        phone.join()
    slow.close()
    assert got == [TEN_THOUSAND] * 20


def test_a_folder_without_a_page_is_listed(served: Served) -> None:
    """Its files with working links, names as text; without the slash one is sent to it."""
    folder = TRACK.rpartition("/")[0]
    sent = served.ask(folder)
    assert (sent.status, sent.headers["Location"]) == (308, f"{folder}/")
    listed = served.ask(f"{folder}/").body.decode()
    assert "01 Thirds &amp; sevenths" in listed and f'href="{TRACK}"' in listed
