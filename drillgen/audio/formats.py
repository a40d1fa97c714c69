"""The audio formats: a row each, and the way from a finished WAV to a file in any of them.

A row is all that the program knows of a format: what `--format` takes and says, file endings, media
types over HTTP, what a zip packs, the manifest's names, and the writer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from drillgen.audio.libav import LibavCoding, write_m4a
from drillgen.audio.mp3 import write_mp3
from drillgen.audio.tags import (
    AudioSource,
    Tags,
    add_chunks,
    opened,
    vorbis_comments,
    write_wav,
)
from drillgen.disk import whole_file
from drillgen.errors import AudioError, unwritable
from drillgen.theory.other_names import perhaps

Write = Callable[[AudioSource, IO[bytes], Tags], None]


_FLAC = LibavCoding(
    container="flac",
    codec="flac",
    samples="s16",
    words=vorbis_comments,
    encoder_options=(("compression_level", "5"),),
)
_OPUS = LibavCoding(
    container="ogg",
    codec="libopus",
    samples="flt",
    words=vorbis_comments,
    rate=48000,  # Opus knows no other (RFC 6716, 2)
    bits=(64000, 96000),
    encoder_options=(("compression_level", "7"),),  # the least that looks at the music
)


@dataclass(frozen=True, slots=True)
class AudioFormat:
    """A kind of audio file."""

    name: str  # for `--format` and in the manifest
    suffix: str
    media_type: str  # by the IANA registry where it has one
    lossless: bool  # gives back the very samples
    write: Write
    other_names: tuple[str, ...] = ()
    packed: bool = True  # a zip cannot make it smaller
    packages: tuple[str, ...] = ()  # on whose versions the bytes depend


# Gapless, each in its own way: FLAC counts its samples (RFC 9639, 8.2); Opus has pre-skip and the
# last page's granule position (RFC 7845, 4.2 and 4.4); MP4 an edit list (ISO/IEC 14496-12, 8.6.6);
# MP3 LAME's own extension of the Xing header, which decoders have taken over.
_ROWS = (
    AudioFormat(
        name="wav",
        suffix=".wav",
        media_type="audio/wav",  # what browsers know (common practice)
        lossless=True,
        write=write_wav,
        other_names=("wave",),
        packed=False,
    ),
    AudioFormat(
        name="flac",
        suffix=".flac",
        media_type="audio/flac",  # RFC 9639
        lossless=True,
        write=_FLAC.write,
        packages=("av",),
    ),
    AudioFormat(
        name="mp3",
        suffix=".mp3",
        media_type="audio/mpeg",  # RFC 3003
        lossless=False,
        write=write_mp3,
        packages=("lameenc",),
    ),
    AudioFormat(
        name="m4a",
        suffix=".m4a",
        media_type="audio/mp4",  # RFC 4337
        lossless=False,
        write=write_m4a,
        other_names=("aac", "mp4"),
        packages=("av",),
    ),
    AudioFormat(
        name="opus",
        suffix=".opus",
        media_type="audio/ogg",  # RFC 7845
        lossless=False,
        write=_OPUS.write,
        other_names=("ogg",),
        packages=("av",),
    ),
)
FORMATS: dict[str, AudioFormat] = {row.name: row for row in _ROWS}
_BY_ANY_NAME = {name: row for row in _ROWS for name in (row.name, *row.other_names)}


def format_named(name: str) -> AudioFormat:
    """The format of a name, an ending (".mp3") or another usual name ("aac").

    Raises:
        AudioError: there is none; the message names the nearest.
    """
    plain = name.strip().lower().removeprefix(".")
    if plain in _BY_ANY_NAME:
        return _BY_ANY_NAME[plain]
    hint = perhaps(plain, FORMATS) or "."
    raise AudioError(f"no audio format is called '{name}': there are {', '.join(FORMATS)}{hint}")


def names_in_words() -> str:
    """Every format with its other names: "wav (or wave), flac, …"."""
    return ", ".join(
        f"{row.name} (or {', '.join(row.other_names)})" if row.other_names else row.name
        for row in _ROWS
    )


def writers_of(names: Iterable[str]) -> tuple[str, ...]:
    """The packages that write these formats, with their versions: others may write other bytes."""
    from importlib.metadata import version

    packages = {package for name in names for package in FORMATS[name].packages}
    return tuple(f"{package} {version(package)}" for package in sorted(packages))


def encode(wav: Path, target: Path, format_name: str, tags: Tags) -> None:
    """Write the 16-bit WAV file `wav` as `target` in one of `FORMATS`, with tags, whole or not
    at all.

    Memory does not grow with the length; the same sound and tags give the same bytes.

    Raises:
        AudioError: no such format; `wav` is not such a file; `target` cannot be written.
    """
    row = format_named(format_name)
    try:
        with whole_file(target) as file, opened(wav) as source:
            row.write(source, file, tags)
    except OSError as error:
        raise unwritable(target, error) from error


def tag(wav: Path, tags: Tags) -> None:
    """Add tags to a 16-bit WAV file that ends with its samples, as `render` writes it.

    Raises:
        AudioError: `wav` is not such a file, or cannot be written; then it has no tags.
    """
    try:
        with opened(wav) as source, wav.open("r+b") as file:
            add_chunks(source, file, tags)
    except OSError as error:
        raise unwritable(wav, error) from error
