"""MP3 by LAME.

LAME's Python binding is three to four times as fast as libav's build of LAME (`python -m
benchmarks.encoders`), but writes no header frame, so this file does: a silent frame in front that
says how long the sound is.  Its fields are Xing's (frames, bytes, places to seek to) followed by
LAME's, of which the delay and the padding make a file gapless: "Mp3 Info Tag rev 1 specifications"
(LAME project).  Frame headers as in ISO/IEC 11172-3, 2.4.1.3, and 13818-3, 2.4.2.3 (half the rate,
half the samples).
"""

from __future__ import annotations

import struct
from array import array
from collections.abc import Iterable
from io import BytesIO
from typing import IO, TYPE_CHECKING, NamedTuple

import lameenc  # type: ignore[import-not-found, unused-ignore]

from drillgen.audio.tags import AudioSource, Tags, id3_tag

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

QUALITY = 2  # of LAME's varying bit rate, 0 best to 9: about 150 kbit/s for a band
_EFFORT = 5  # 0 the most, 9 the least; below 5 nothing is gained with this kind of VBR
_VBR_MTRH = 4  # lame.h: the newer of LAME's two ways to vary the bit rate
_FULL_SCALE = 32767
_DELAY = 576  # samples that LAME puts in front (encoder.h: ENCDELAY)
_RATES = (44100, 48000, 32000)
_KBITS_1 = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_KBITS_2 = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)
_KBITS_HERE = 64  # of the header frame: the least that has room for it at all rates
_PLACES = 100
_ALL_FIELDS = 0xF  # frames, bytes, places, quality


def write_mp3(source: AudioSource, file: IO[bytes], tags: Tags) -> None:
    """The sound of `source` as MP3, with its tag in front."""
    file.write(id3_tag(tags, source.seconds))
    _write_frames(source.blocks(), source.count, source.rate, source.channels, file, QUALITY)


def mp3_in_memory(samples: NDArray[np.float32], rate: int = 44100, quality: int = 4) -> bytes:
    """A gapless mono MP3 without tags.

    samples: shape (n,), full scale 1; what is beyond is clipped.  quality: of LAME's varying bit
    rate, 0 (best) to 9.  A browser's `decodeAudioData` in a context of the same rate gives back n
    samples, the first of them first.
    """
    import numpy as np

    whole = np.clip(np.rint(samples * np.float32(_FULL_SCALE)), -_FULL_SCALE - 1, _FULL_SCALE)
    out = BytesIO()
    _write_frames([whole.astype("<i2").tobytes()], len(whole), rate, 1, out, quality)
    return out.getvalue()


def _write_frames(
    blocks: Iterable[bytes], count: int, rate: int, channels: int, file: IO[bytes], quality: int
) -> None:
    """MP3 frames of `count` samples a channel, a header frame first.

    blocks: 16 bits, little endian, interleaved.  The header is filled in at the end.
    """
    start = file.tell()
    file.write(bytes(_info_size(rate)))
    frames = _Mp3Frames()
    for part in _as_mp3(blocks, rate, channels, quality):
        frames.add(part)
        file.write(part)
    end = file.tell()
    file.seek(start)
    file.write(_info_frame(frames, count, 100 - 10 * quality - _EFFORT))
    file.seek(end)


def _as_mp3(blocks: Iterable[bytes], rate: int, channels: int, quality: int) -> Iterable[bytes]:
    encoder = lameenc.Encoder()
    encoder.silence()
    encoder.set_channels(channels)
    encoder.set_in_sample_rate(rate)
    encoder.set_out_sample_rate(rate)
    encoder.set_vbr(_VBR_MTRH)
    encoder.set_vbr_quality(quality)
    encoder.set_quality(_EFFORT)
    for block in blocks:
        yield bytes(encoder.encode(block))
    yield bytes(encoder.flush())


class _FrameHeader(NamedTuple):
    """What a frame's four bytes say."""

    rate: int
    samples: int  # a frame
    size: int  # bytes
    side_info: int  # bytes


class _Mp3Frames:
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


def _info_size(rate: int) -> int:
    """Bytes of the header frame."""
    return (144 if rate >= 32000 else 72) * _KBITS_HERE * 1000 // rate


def _info_frame(frames: _Mp3Frames, count: int, quality: int) -> bytes:
    """The header frame for a stream that holds `count` samples a channel of sound.

    quality: 0 the worst, 100 the best.  A decoder leaves out the delay, 529 samples of its own,
    and what is beyond `count`.
    """
    head = _header(frames.first)
    size = _info_size(head.rate)
    padding = len(frames.starts) * head.samples - _DELAY - count
    xing = struct.pack(">4s3I", b"Xing", _ALL_FIELDS, len(frames.starts), frames.size + size)
    content = _silent(frames.first, head.rate) + bytes(head.side_info) + xing
    content += _places(frames, size) + struct.pack(">I", quality)
    content += _lame(padding, frames.size + size)
    return (content + struct.pack(">H", _crc16(content))).ljust(size, b"\0")


def _header(raw: bytes) -> _FrameHeader:
    """Read a header of layer III."""
    first, rate_index = raw[1] >> 3 & 3 == 3, raw[2] >> 2 & 3
    kbits = (_KBITS_1 if first else _KBITS_2)[raw[2] >> 4]
    rate = _RATES[rate_index] // (1 if first else 2 if raw[1] >> 3 & 3 == 2 else 4)
    samples = 1152 if first else 576
    size = samples // 8 * kbits * 1000 // rate + (raw[2] >> 1 & 1)
    mono = raw[3] >> 6 == 3
    side_info = (17 if mono else 32) if first else (9 if mono else 17)
    return _FrameHeader(rate, samples, size, side_info)


def _silent(raw: bytes, rate: int) -> bytes:
    """The same header without check sum and padding, at the header frame's own bit rate."""
    index = (_KBITS_1 if rate >= 32000 else _KBITS_2).index(_KBITS_HERE)
    return bytes((raw[0], raw[1] | 1, index << 4 | raw[2] & 0x0D, raw[3]))


def _places(frames: _Mp3Frames, before: int) -> bytes:
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
