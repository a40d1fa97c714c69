"""Tags read by nobody's code but the words of each format's own specification.

The library that wrote a file is no witness for it, so these are small readers of our own, one a
format, beside what libsndfile and libav find.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

Frames = list[tuple[str, bytes]]


def id3_frames(raw: bytes) -> Frames:
    """Names and contents of the frames of an ID3v2.3 tag at the start (informal standard, 3)."""
    assert raw[:6] == b"ID3\x03\x00\x00"
    assert max(raw[6:10]) < 0x80
    size = raw[6] << 21 | raw[7] << 14 | raw[8] << 7 | raw[9]
    return _frames(raw[10 : 10 + size])


def _frames(raw: bytes) -> Frames:
    found, at = [], 0
    while at < len(raw):
        name, size, flags = struct.unpack_from(">4sIH", raw, at)
        assert flags == 0
        found.append((name.decode("ascii"), raw[at + 10 : at + 10 + size]))
        at += 10 + size
    assert at == len(raw)
    return found


def id3_text(content: bytes) -> str:
    """The text of a text frame (4.2): an encoding, here UTF-16 with its mark, and the text."""
    assert content[0] == 1
    return content[1:].decode("utf-16").removesuffix("\0")


def id3_chapters(raw: bytes) -> list[tuple[str, tuple[int, ...], str]]:
    """Name, times and byte offsets, title of every CHAP ("Chapter Frame Addendum 1.0", 3.1)."""
    found = []
    for frame, content in id3_frames(raw):
        if frame == "CHAP":
            name, rest = content.split(b"\0", 1)
            [(kind, title)] = _frames(rest[16:])
            assert kind == "TIT2"
            found.append((name.decode(), struct.unpack_from(">4I", rest), id3_text(title)))
    return found


def comments(path: Path) -> list[tuple[str, str]]:
    """Fields and texts of a FLAC or Opus file, in order."""
    raw = path.read_bytes()
    return _comments(_flac_block(raw, 4) if raw[:4] == b"fLaC" else _opus_tags(raw))


def _comments(raw: bytes) -> list[tuple[str, str]]:
    """ "Ogg Vorbis I format specification: comment field and header": vendor, count, fields."""
    (vendor,) = struct.unpack_from("<I", raw)
    (count,) = struct.unpack_from("<I", raw, 4 + vendor)
    at, found = 8 + vendor, []
    for _ in range(count):
        (size,) = struct.unpack_from("<I", raw, at)
        name, _, text = raw[at + 4 : at + 4 + size].decode("utf-8").partition("=")
        found.append((name.upper(), text))
        at += 4 + size
    return found


def _flac_block(raw: bytes, kind: int) -> bytes:
    """The first metadata block of a kind (RFC 9639, 8.1)."""
    at = 4
    while raw[at] & 0x7F != kind:
        at += 4 + int.from_bytes(raw[at + 1 : at + 4], "big")
    return raw[at + 4 : at + 4 + int.from_bytes(raw[at + 1 : at + 4], "big")]


def ogg_pages(raw: bytes) -> Iterator[tuple[int, int, list[bytes]]]:
    """Granule position, serial number and segments of every page (RFC 3533, 6)."""
    at = 0
    while at < len(raw):
        assert raw[at : at + 4] == b"OggS"
        granule, serial = struct.unpack_from("<qI", raw, at + 6)
        lacing = raw[at + 27 : at + 27 + raw[at + 26]]
        at += 27 + len(lacing)
        segments = []
        for size in lacing:
            segments.append(raw[at : at + size])
            at += size
        yield granule, serial, segments


def _opus_tags(raw: bytes) -> bytes:
    """The second packet without its name (RFC 7845, 5.2); it ends with a short segment."""
    packet = b""
    for segments in (page[2] for page in list(ogg_pages(raw))[1:]):
        for segment in segments:
            packet += segment
            if len(segment) < 255:
                assert packet[:8] == b"OpusTags"
                return packet[8:]
    raise AssertionError("no comment packet")


def mp4_atoms(raw: bytes, *way: str) -> list[tuple[str, bytes]]:
    """Names and contents of the atoms within the first of each name on the way.

    ISO/IEC 14496-12, 4.2: size, name, content; `meta` has version and flags in front (8.11.1).
    """
    atoms, at = [], 0
    while at < len(raw):
        size, name = struct.unpack_from(">I4s", raw, at)
        atoms.append((name.decode("latin-1"), raw[at + 8 : at + size]))
        at += size
    assert at == len(raw)
    if not way:
        return atoms
    within = next(content for name, content in atoms if name == way[0])
    return mp4_atoms(within[4:] if way[0] == "meta" else within, *way[1:])


def mp4_tags(path: Path) -> dict[str, tuple[int, bytes]]:
    """Type and value of every tag ("QuickTime File Format": `ilst`, `mean`, `name`, `data`)."""
    found = {}
    for atom, content in mp4_atoms(path.read_bytes(), "moov", "udta", "meta", "ilst"):
        parts = dict(mp4_atoms(content))
        free = ":".join(parts[part][4:].decode() for part in ("mean", "name") if part in parts)
        name = free or atom
        kind, _ = struct.unpack_from(">II", parts["data"])
        assert name not in found
        found[name] = (kind, parts["data"][8:])
    return found


def riff_chunks(raw: bytes, start: int, end: int) -> Iterator[tuple[bytes, bytes]]:
    """Name and content of each chunk (RIFF 1991, chapter 2: padded to even lengths)."""
    while start < end:
        name, size = struct.unpack_from("<4sI", raw, start)
        yield name, raw[start + 8 : start + 8 + size]
        start += 8 + size + size % 2
    assert start == end
