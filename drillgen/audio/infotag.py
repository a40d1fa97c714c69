"""The header frame of an MP3 file of varying bit rate: a silent frame that says how long it is.

Its fields are Xing's (frames, bytes, places to seek to) followed by LAME's, of which the delay and
the padding make a file gapless: "Mp3 Info Tag rev 1 specifications" (LAME project).  Frame headers
as in ISO/IEC 11172-3, 2.4.1.3, and 13818-3, 2.4.2.3 (half the rate, half the samples).
"""

from __future__ import annotations

import struct
from array import array
from typing import NamedTuple

_DELAY = 576  # samples that LAME puts in front (encoder.h: ENCDELAY)
_RATES = (44100, 48000, 32000)
_KBITS_1 = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_KBITS_2 = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)
_KBITS_HERE = 64  # of the header frame: the least that has room for it at all rates
_PLACES = 100
_ALL_FIELDS = 0xF  # frames, bytes, places, quality
_VBR_MTRH = 4


class _Header(NamedTuple):
    """What a frame's four bytes say."""

    rate: int
    samples: int  # a frame
    size: int  # bytes
    side_info: int  # bytes


class Frames:
    """Counts the frames of a stream as it goes by."""

    def __init__(self) -> None:
        self.first = b""  # the first frame's header
        self.starts = array("Q")  # the byte each begins at
        self.size = 0  # bytes
        self._rest = b""

    def add(self, part: bytes) -> None:
        """The stream's next bytes; frames may be cut anywhere."""
        data, at = self._rest + part, 0
        while at + 4 <= len(data):
            size = _header(data[at : at + 4]).size
            if at + size > len(data):
                break
            self.first = self.first or data[at : at + 4]
            self.starts.append(self.size + at)
            at += size
        self.size += at
        self._rest = data[at:]


def info_size(rate: int) -> int:
    """Bytes of the header frame."""
    return (144 if rate >= 32000 else 72) * _KBITS_HERE * 1000 // rate


def info_frame(frames: Frames, count: int, quality: int) -> bytes:
    """The header frame for a stream that holds `count` samples a channel of sound.

    quality: 0 the worst, 100 the best.  A decoder leaves out the delay, 529 samples of its own,
    and what is beyond `count`.
    """
    head = _header(frames.first)
    size = info_size(head.rate)
    padding = len(frames.starts) * head.samples - _DELAY - count
    xing = struct.pack(">4s3I", b"Xing", _ALL_FIELDS, len(frames.starts), frames.size + size)
    content = _silent(frames.first, head.rate) + bytes(head.side_info) + xing
    content += _places(frames, size) + struct.pack(">I", quality)
    content += _lame(padding, frames.size + size)
    return (content + struct.pack(">H", _crc16(content))).ljust(size, b"\0")


def _header(raw: bytes) -> _Header:
    """Read a header of layer III."""
    first, rate_index = raw[1] >> 3 & 3 == 3, raw[2] >> 2 & 3
    kbits = (_KBITS_1 if first else _KBITS_2)[raw[2] >> 4]
    rate = _RATES[rate_index] // (1 if first else 2 if raw[1] >> 3 & 3 == 2 else 4)
    samples = 1152 if first else 576
    size = samples // 8 * kbits * 1000 // rate + (raw[2] >> 1 & 1)
    mono = raw[3] >> 6 == 3
    side_info = (17 if mono else 32) if first else (9 if mono else 17)
    return _Header(rate, samples, size, side_info)


def _silent(raw: bytes, rate: int) -> bytes:
    """The same header without check sum and padding, at the header frame's own bit rate."""
    index = (_KBITS_1 if rate >= 32000 else _KBITS_2).index(_KBITS_HERE)
    return bytes((raw[0], raw[1] | 1, index << 4 | raw[2] & 0x0D, raw[3]))


def _places(frames: Frames, before: int) -> bytes:
    """For each hundredth of the time, how far into the bytes it lies, in 256ths."""
    total = frames.size + before
    at = (frames.starts[len(frames.starts) * n // _PLACES] + before for n in range(1, _PLACES))
    return bytes((0, *(min(255, 256 * place // total) for place in at)))


def _lame(padding: int, size: int) -> bytes:
    """LAME's fields up to the check sums; levels and gains are left unsaid."""
    return (
        b"LAME3.100"
        + bytes((_VBR_MTRH, 0))  # revision 0 and method; low-pass unknown
        + bytes(10)  # peak, replay gains, flags, least bit rate
        + (_DELAY << 12 | padding).to_bytes(3, "big")
        + bytes(4)  # noise shaping, gain, preset
        + struct.pack(">IH", size, 0)  # the music's own check sum is left unsaid
    )


def _crc16(content: bytes) -> int:
    """CRC-16 of polynomial 0x8005, reflected, from 0."""
    crc = 0
    for byte in content:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc
