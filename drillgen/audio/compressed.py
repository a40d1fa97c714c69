"""FLAC, AAC and Opus files with their tags."""

from __future__ import annotations

from dataclasses import replace
from typing import IO

from drillgen.audio import mp4, vorbis
from drillgen.audio.libav import AAC, FLAC, OPUS, convert
from drillgen.audio.source import Source
from drillgen.audio.tags import Tags


def write_flac(source: Source, file: IO[bytes], tags: Tags) -> None:
    """The samples as they are, compressed (RFC 9639)."""
    convert(source, file, FLAC, comments=vorbis.comments(tags))


def write_opus(source: Source, file: IO[bytes], tags: Tags) -> None:
    """Opus in Ogg (RFC 7845): 96 kbit/s in stereo."""
    convert(source, file, OPUS, comments=vorbis.comments(tags))


def write_m4a(source: Source, file: IO[bytes], tags: Tags) -> None:
    """AAC-LC in MP4: 160 kbit/s in stereo."""
    # A movie time scale of the samples' own rate makes the edit list exact to the sample.
    coding = replace(AAC, container_options={"movie_timescale": str(source.rate)})
    packets = convert(source, file, coding, chapters=tags)
    mp4.put(file, tags, mp4.Gapless(source.count, packets))
