"""MP3 by LAME, gapless.

LAME's Python binding is three times as fast here as libav's build of it, but writes no header
frame, so this room does: `infotag.py`.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import IO

import lameenc  # type: ignore[import-not-found, unused-ignore]

from drillgen.audio import id3
from drillgen.audio.infotag import Frames, info_frame, info_size
from drillgen.audio.source import Source
from drillgen.audio.tags import Tags

_VBR_MTRH = 4  # lame.h: the newer of LAME's two ways to vary the bit rate
_EFFORT = 5  # 0 the most, 9 the least; below 5 nothing is gained with this kind of VBR
QUALITY = 2  # of VBR, 0 best to 9: about 150 kbit/s for a band


def write(source: Source, file: IO[bytes], tags: Tags) -> None:
    """The sound of `source` as MP3, with its tag in front."""
    file.write(id3.tag(tags, source.seconds))
    stream(source.blocks(), source.count, source.rate, source.channels, file, QUALITY)


def stream(
    blocks: Iterable[bytes], count: int, rate: int, channels: int, file: IO[bytes], quality: int
) -> None:
    """MP3 frames of `count` samples a channel, a header frame first.

    blocks: 16 bits, little endian, interleaved.  The header is filled in at the end.
    """
    start = file.tell()
    file.write(bytes(info_size(rate)))
    frames = Frames()
    for part in _encoded(blocks, rate, channels, quality):
        frames.add(part)
        file.write(part)
    end = file.tell()
    file.seek(start)
    file.write(info_frame(frames, count, 100 - 10 * quality - _EFFORT))
    file.seek(end)


def _encoded(blocks: Iterable[bytes], rate: int, channels: int, quality: int) -> Iterable[bytes]:
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
