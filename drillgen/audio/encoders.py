"""The encoders: libav by PyAV, with AAC in MP4 among its formats, and MP3 by LAME.

Files do not depend on when or by which version they were written (libav's `bitexact`), and an Ogg
stream's serial number is not drawn by chance.

Two tags of AAC in MP4 (M4A) are written here, since libav's muxer does not write them.  The muxer
writes the texts, `trkn` and `tmpo` as `ilst` atoms ("QuickTime File Format Specification"), and
chapters as a text track and as a `chpl` atom.  Key and gapless playback go in free-form atoms of
the names that players have agreed on (common practice).

LAME's Python binding is three to four times as fast as libav's build of LAME (`python -m
benchmarks.encoders`), but writes no header frame, so this file does: a silent frame in front that
says how long the sound is.  Its fields are Xing's (frames, bytes, places to seek to) followed by
LAME's, of which the delay and the padding make a file gapless: "Mp3 Info Tag rev 1 specifications"
(LAME project).  Frame headers as in ISO/IEC 11172-3, 2.4.1.3, and 13818-3, 2.4.2.3 (half the rate,
half the samples).
"""

from __future__ import annotations

import os
import struct
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from io import BytesIO
from typing import IO, TYPE_CHECKING, NamedTuple

import lameenc  # type: ignore[import-not-found, unused-ignore]

from drillgen.audio.tags import ARTIST, AudioSource, Tags, id3_tag

if TYPE_CHECKING:
    import numpy as np
    from av import AudioFrame, Packet
    from av.audio.stream import AudioStream
    from av.container import OutputContainer
    from av.container.core import Chapter as LibavChapter
    from numpy.typing import NDArray


_LAYOUTS = {1: "mono", 2: "stereo"}


@dataclass(frozen=True, slots=True)
class LibavCoding:
    """An encoder and a container of libav's, by libav's names, and the tags in their words."""

    container: str
    codec: str
    samples: str  # the sample format that the encoder takes
    words: Callable[[Tags], dict[str, str]]  # the tags by the names that the muxer takes
    muxer_has_chapters: bool = False  # else `words` have them, or there are none
    rate: int = 0  # samples a second; 0: the source's own
    bits: tuple[int, int] | None = None  # a second: mono, stereo; None: what the sound needs
    encoder_options: tuple[tuple[str, str], ...] = ()
    container_options: tuple[tuple[str, str], ...] = ()

    def write(self, source: AudioSource, file: IO[bytes], tags: Tags) -> None:
        """As `convert`."""
        convert(source, file, tags, self)


def convert(source: AudioSource, file: IO[bytes], tags: Tags, coding: LibavCoding) -> int:
    """Write `source` to `file` with its tags; returns how many packets the encoder made.

    Raises OSError as writing does.
    """
    import av

    sink = _Sink(file)
    options = {"fflags": "+bitexact", **dict(coding.container_options)}
    with av.open(sink, "w", format=coding.container, options=options) as out:
        out.metadata.update(coding.words(tags))
        if coding.muxer_has_chapters and tags.chapters:
            out.set_chapters(_chapters(tags, source))
        packets = 0
        for packet in _encoded(_stream(out, source, coding), source):
            out.mux(packet)
            sink.check()
            packets += 1
    sink.check()
    return packets


def _stream(out: OutputContainer, source: AudioSource, coding: LibavCoding) -> AudioStream:
    from av.audio.stream import AudioStream

    rate = coding.rate or source.rate
    stream = out.add_stream(coding.codec, rate=rate, options=dict(coding.encoder_options))
    assert isinstance(stream, AudioStream)
    stream.codec_context.layout = _LAYOUTS[source.channels]
    stream.codec_context.format = coding.samples
    if coding.bits:
        stream.bit_rate = coding.bits[source.channels - 1]
    return stream


def _encoded(stream: AudioStream, source: AudioSource) -> Iterator[Packet[AudioStream]]:
    for frame in _frames(source):
        yield from stream.encode(frame)
    yield from stream.encode(None)  # what the encoder still holds


def _frames(source: AudioSource) -> Iterator[AudioFrame]:
    """The samples in frames, each with its place in the track."""
    import numpy as np
    from av import AudioFrame

    start = 0
    for block in source.blocks():
        samples = np.frombuffer(block, "<i2").reshape(1, -1)
        frame = AudioFrame.from_ndarray(samples, "s16", _LAYOUTS[source.channels])
        frame.sample_rate = source.rate
        frame.time_base = Fraction(1, source.rate)
        frame.pts = start
        start += frame.samples
        yield frame


def _chapters(tags: Tags, source: AudioSource) -> list[LibavChapter]:
    """Chapters in samples."""
    return [
        {
            "id": number,
            "start": round(chapter.start * source.rate),
            "end": round(end * source.rate),
            "time_base": Fraction(1, source.rate),
            "metadata": {"title": chapter.title},
        }
        for number, (chapter, end) in enumerate(tags.spans(source.seconds))
    ]


class _Sink:
    """A file for libav to write to, whose errors come out whole.

    An error raised inside libav's call-backs is lost, or comes back as one of libav's own that says
    nothing of the disk.  So nothing is raised there: the first error is kept, and raised outside.
    """

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self._error: OSError | None = None

    def write(self, data: bytes) -> int:
        try:
            if self._error is None:
                self._file.write(data)
        except OSError as error:
            self._error = error
        return len(data)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        try:
            return self._file.seek(offset, whence) if self._error is None else offset
        except OSError as error:
            self._error = error
            return offset

    def tell(self) -> int:
        return self._file.tell()

    def check(self) -> None:
        """Raise the error that there was, if any: an OSError."""
        if self._error is not None:
            raise self._error


_PACKET = 1024  # samples of an AAC packet (ISO/IEC 14496-3), and libav's delay: one packet
_HEAD = 8  # bytes of an atom's size and name (ISO/IEC 14496-12, 4.2)
_FULL_HEAD = 12  # with version and flags
_TEXT = 1  # type of `data`: UTF-8 ("well-known types")
# Where the tags lie, each atom with the bytes before its children (ISO/IEC 14496-12, 8.2 to 8.11).
_WAY = ((b"moov", _HEAD), (b"udta", _HEAD), (b"meta", _FULL_HEAD), (b"ilst", _HEAD))


def write_m4a(source: AudioSource, file: IO[bytes], tags: Tags) -> None:
    """AAC-LC in MP4: 160 kbit/s in stereo."""
    # A movie time scale of the samples' own rate makes the edit list exact to the sample.
    exact = (("movie_timescale", str(source.rate)),)
    packets = convert(source, file, tags, replace(_AAC, container_options=exact))
    own = _free_form("initialkey", tags.short_key) if tags.key else b""
    _add_tags(file, own + _free_form("iTunSMPB", _gapless(source.count, packets)))


def _words(tags: Tags) -> dict[str, str]:
    """The tags by the names that libav's muxer knows."""
    texts = {
        "title": tags.title,
        "artist": ARTIST,
        "album": tags.album,
        "genre": tags.genre,
        "track": tags.number,
        "tmpo": tags.whole_tempo,
        "comment": tags.comment,
        "copyright": tags.licence,
    }
    return {name: text for name, text in texts.items() if text}


# The `fast` search is twice as fast as the other and nearer to the source in every band of a
# rendered trio (by 3 to 5 dB at 160 kbit/s).
_AAC = LibavCoding(
    "ipod",
    "aac",
    "fltp",
    _words,
    muxer_has_chapters=True,
    bits=(96000, 160000),
    encoder_options=(("aac_coder", "fast"),),
)


def _gapless(count: int, packets: int) -> str:
    """Delay, padding and length of `count` samples in hexadecimal, as players that read no edit
    list want it."""
    padding = packets * _PACKET - _PACKET - count
    return f" 00000000 {_PACKET:08X} {padding:08X} {count:016X}" + " 00000000" * 8


def _free_form(name: str, text: str) -> bytes:
    """A tag by a name of one's own choice, in the space of names that players look in."""
    return _atom(
        b"----",
        _atom(b"mean", bytes(4) + b"com.apple.iTunes")
        + _atom(b"name", bytes(4) + name.encode())
        + _atom(b"data", struct.pack(">II", _TEXT, 0) + text.encode()),
    )


def _atom(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I4s", _HEAD + len(content), name) + content


def _add_tags(file: IO[bytes], more: bytes) -> None:
    """Put more tags behind those of a file whose `moov` is its last atom, as libav writes it."""
    atoms = _way_to_tags(file)
    at, size = atoms[-1]
    file.seek(at + size)
    after = file.read()
    file.seek(at + size)
    file.write(more + after)
    for start, old in atoms:
        file.seek(start)
        file.write(struct.pack(">I", old + len(more)))
    file.seek(0, 2)


def _way_to_tags(file: IO[bytes]) -> Sequence[tuple[int, int]]:
    """Where each atom on the way to the tags begins, and its size."""
    found, at = [], 0
    for wanted, head in _WAY:
        size, name = _head(file, at)
        while name != wanted:
            at += size
            size, name = _head(file, at)
        found.append((at, size))
        at += head
    return found


def _head(file: IO[bytes], at: int) -> tuple[int, bytes]:
    """Size and name of the atom at a place; a size of 1 means that eight bytes more hold it."""
    file.seek(at)
    size, name, large = struct.unpack(">I4sQ", file.read(16))
    return (large if size == 1 else size), name


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
