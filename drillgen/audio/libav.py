"""What libav encodes, by PyAV: files do not depend on when or by which version they were written
(libav's `bitexact`), and an Ogg stream's serial number is not drawn by chance.

Two tags of AAC in MP4 (M4A) are written here, since libav's muxer does not write them.  The muxer
writes the texts, `trkn` and `tmpo` as `ilst` atoms ("QuickTime File Format Specification"), and
chapters as a text track and as a `chpl` atom.  Key and gapless playback go in free-form atoms of
the names that players have agreed on (common practice).
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import IO, TYPE_CHECKING

from drillgen.audio.tags import ARTIST, AudioSource, Tags

if TYPE_CHECKING:
    from av import AudioFrame, Packet
    from av.audio.stream import AudioStream
    from av.container import OutputContainer
    from av.container.core import Chapter as LibavChapter

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


def libav_words(tags: Tags) -> dict[str, str]:
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
    libav_words,
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
