"""FLAC, AAC and Opus by libav (PyAV): one pass from WAV to file.

Files do not depend on when or by which version they were written (libav's `bitexact`), and the Ogg
stream's serial number is not drawn by chance.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import IO, TYPE_CHECKING

import av
import numpy as np
from av.audio.stream import AudioStream
from av.container import OutputContainer

from drillgen.audio.sink import Sink
from drillgen.audio.source import Source
from drillgen.audio.tags import Tags

if TYPE_CHECKING:
    from av.container.core import Chapter  # there for the checker alone

_LAYOUTS = {1: "mono", 2: "stereo"}


@dataclass(frozen=True, slots=True)
class Coding:
    """An encoder and a container of libav's, by their names."""

    container: str
    codec: str
    samples: str  # the sample format that the encoder takes
    rate: int = 0  # samples a second; 0: the source's own
    bits: dict[int, int] = field(default_factory=dict)  # a second, by channels
    options: dict[str, str] = field(default_factory=dict)
    container_options: dict[str, str] = field(default_factory=dict)


FLAC = Coding("flac", "flac", "s16", options={"compression_level": "5"})
# The `fast` search is twice as fast as the other and nearer to the source in every band of a
# rendered trio (by 3 to 5 dB at 160 kbit/s).
AAC = Coding("ipod", "aac", "fltp", bits={1: 96000, 2: 160000}, options={"aac_coder": "fast"})
# Opus knows 48 kHz alone (RFC 6716, 2).  Complexity 7: the least that looks at the music.
OPUS = Coding(
    "ogg", "libopus", "flt", 48000, bits={1: 64000, 2: 96000}, options={"compression_level": "7"}
)


def convert(
    source: Source,
    file: IO[bytes],
    coding: Coding,
    *,
    comments: dict[str, str] | None = None,
    chapters: Tags | None = None,
) -> int:
    """Write `source` to `file`; returns how many packets the encoder made.

    comments, chapters (of these tags): what the container's own muxer is to write.

    Raises OSError as writing does.
    """
    sink = Sink(file)
    options = {"fflags": "+bitexact", **coding.container_options}
    with av.open(sink, "w", format=coding.container, options=options) as out:
        out.metadata.update(comments or {})
        if chapters and chapters.chapters:
            out.set_chapters(_chapters(chapters, source))
        packets = 0
        for packet in _encoded(_stream(out, source, coding), source):
            out.mux(packet)
            sink.check()
            packets += 1
    sink.check()
    return packets


def _stream(out: OutputContainer, source: Source, coding: Coding) -> AudioStream:
    rate = coding.rate or source.rate
    stream = out.add_stream(coding.codec, rate=rate, options=coding.options)
    assert isinstance(stream, AudioStream)
    stream.codec_context.layout = _LAYOUTS[source.channels]
    stream.codec_context.format = coding.samples
    if coding.bits:
        stream.bit_rate = coding.bits[source.channels]
    return stream


def _encoded(stream: AudioStream, source: Source) -> Iterator[av.Packet[AudioStream]]:
    for frame in _frames(source):
        yield from stream.encode(frame)
    yield from stream.encode(None)  # what the encoder still holds


def _frames(source: Source) -> Iterator[av.AudioFrame]:
    """The samples in frames, each with its place in the track."""
    start = 0
    for block in source.blocks():
        samples = np.frombuffer(block, "<i2").reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(samples, "s16", _LAYOUTS[source.channels])
        frame.sample_rate = source.rate
        frame.time_base = Fraction(1, source.rate)
        frame.pts = start
        start += frame.samples
        yield frame


def _chapters(tags: Tags, source: Source) -> list[Chapter]:
    """Chapters in samples."""
    return [
        {
            "id": number,
            "start": round(chapter.start * source.rate),
            "end": round(end * source.rate),
            "time_base": Fraction(1, source.rate),
            "metadata": {"title": chapter.title},
        }
        for number, (chapter, end) in enumerate(
            zip(tags.chapters, tags.ends(source.seconds), strict=False)
        )
    ]
