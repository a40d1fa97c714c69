"""Any format that libav writes (PyAV): one pass from WAV to file.

Files do not depend on when or by which version they were written (libav's `bitexact`), and an Ogg
stream's serial number is not drawn by chance.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import IO, TYPE_CHECKING

from drillgen.audio.tags import Tags
from drillgen.audio.wav import AudioSource

if TYPE_CHECKING:  # libav takes a tenth of a second to load, and only its writing needs it
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
    words: Callable[[Tags], dict[str, str]]
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
