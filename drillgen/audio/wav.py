"""WAV: reading 16 bits in blocks; writing cue points, texts and loops as chunks after the samples.

After "Multimedia Programming Interface and Data Specifications 1.0" (IBM and Microsoft, 1991),
chapters 2 (RIFF, INFO) and 3 (WAVE: fmt, cue, adtl), and "New Multimedia Data Types and Data
Techniques" (Microsoft, 1994) for smpl.  The samples keep their place at byte 44, where the
simplest readers look for them; all else follows.
"""

from __future__ import annotations

import struct
import wave
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO

from drillgen.audio import AudioError, reason
from drillgen.audio.tags import ARTIST, Tags, id3_tag
from drillgen.whole import write_at

_LARGEST = 2**32 - 1  # bytes: sizes have 32 bits
_MIDDLE_C = 60
_BLOCK = 16384  # samples a channel at a time


@dataclass(frozen=True, slots=True)
class AudioSource:
    """An open WAV file.  Get one from `opened`."""

    file: wave.Wave_read
    channels: int
    rate: int  # samples a second
    count: int  # samples a channel

    @property
    def seconds(self) -> float:
        return self.count / self.rate

    def blocks(self) -> Iterator[bytes]:
        """All samples, 16 bits, little endian, channels interleaved."""
        while block := self.file.readframes(_BLOCK):
            yield block


@contextmanager
def opened(path: Path) -> Iterator[AudioSource]:
    """A WAV file of 16 bits, mono or stereo.

    Raises:
        AudioError: it cannot be read, is something else, or holds no sound.
    """
    try:
        file = wave.open(str(path), "rb")  # noqa: SIM115 (closed below; only its errors are caught)
    except (wave.Error, EOFError) as error:
        raise AudioError(f"{path} is not a WAV file that can be converted.") from error
    except OSError as error:
        raise AudioError(f"{path} cannot be read: {reason(error)}.") from error
    with file:
        source = AudioSource(file, file.getnchannels(), file.getframerate(), file.getnframes())
        if file.getsampwidth() != 2 or source.channels not in (1, 2):
            raise AudioError(f"{path} must have 16 bits and one or two channels.")
        if source.count == 0:
            raise AudioError(f"{path} holds no sound.")
        yield source


def write_wav(source: AudioSource, file: IO[bytes], tags: Tags) -> None:
    """The samples of `source` as a WAV file with `tags`.

    Raises:
        AudioError: more than 4 GB.
    """
    file.write(_head(source, 0))
    for block in source.blocks():
        file.write(block)
    add_chunks(source, file, tags)


def add_chunks(source: AudioSource, file: IO[bytes], tags: Tags) -> None:
    """Put `tags` behind the samples of `source` in `file`, a WAV that ends with them.

    The size in the head comes last, so that whatever happens before leaves a WAV without tags.

    Raises:
        AudioError: more than 4 GB.
        OSError: it cannot be written; then it is as long as it was.
    """
    extra = _chunks(tags, source.rate, source.count)
    head = _head(source, len(extra))
    end = len(head) + _data(source)
    file.flush()
    try:
        write_at(file, memoryview(extra), end)
    except OSError:
        file.truncate(end)
        raise
    write_at(file, memoryview(head), 0)


def _chunks(tags: Tags, rate: int, count: int) -> bytes:
    """The chunks that follow the samples of a WAV file: `count` samples a channel."""
    starts = [round(chapter.start * rate) for chapter in tags.chapters]
    labels = [chapter.title for chapter in tags.chapters]
    return b"".join(
        (
            _loop(round(tags.loop_from * rate), count, rate) if tags.loop_from is not None else b"",
            _cues(starts) if starts else b"",
            _list(b"adtl", _labels(labels)) if labels else b"",
            _list(b"INFO", _texts(tags)),
            _chunk(b"id3 ", _key_and_tempo(tags)),
        )
    )


def _data(source: AudioSource) -> int:
    """Bytes of the samples."""
    return source.count * source.channels * 2


def _head(source: AudioSource, extra: int) -> bytes:
    """What stands before the samples, where so many bytes follow them."""
    size = 36 + _data(source) + extra
    if size > _LARGEST:
        raise AudioError("the track is too long for a WAV file, which holds 4 GB: choose flac.")
    frame = source.channels * 2
    layout = (1, source.channels, source.rate, source.rate * frame, frame, 16)  # 1: PCM
    return (
        struct.pack("<4sI4s", b"RIFF", size, b"WAVE")
        + _chunk(b"fmt ", struct.pack("<HHIIHH", *layout))
        + struct.pack("<4sI", b"data", _data(source))
    )


def _chunk(name: bytes, content: bytes) -> bytes:
    """Name, size, content; a byte more where the size is odd."""
    return struct.pack("<4sI", name, len(content)) + content + b"\0" * (len(content) % 2)


def _list(kind: bytes, members: Iterable[bytes]) -> bytes:
    return _chunk(b"LIST", kind + b"".join(members))


def _text(text: str) -> bytes:
    """A ZSTR, in UTF-8: the specification leaves the character set open."""
    return text.replace("\0", " ").encode() + b"\0"


def _cues(starts: list[int]) -> bytes:
    """Cue points: name, place in play order, chunk, chunk and block start, sample offset."""
    points = (
        struct.pack("<II4sIII", number, start, b"data", 0, 0, start)
        for number, start in enumerate(starts, 1)
    )
    return _chunk(b"cue ", struct.pack("<I", len(starts)) + b"".join(points))


def _labels(labels: list[str]) -> Iterator[bytes]:
    for number, label in enumerate(labels, 1):
        yield _chunk(b"labl", struct.pack("<I", number) + _text(label))


def _texts(tags: Tags) -> Iterator[bytes]:
    """INFO's own fields, and ITRK, which readers know though the specification does not."""
    texts = {
        b"INAM": tags.title,
        b"IART": ARTIST,
        b"IPRD": tags.album,
        b"ITRK": str(tags.track or ""),
        b"IGNR": tags.genre,
        b"ICMT": tags.comment,
        b"ICOP": tags.licence,
    }
    return (_chunk(name, _text(text)) for name, text in texts.items() if text)


def _key_and_tempo(tags: Tags) -> bytes:
    """An ID3 tag for what INFO cannot say; chapters are cue points already, and once is enough."""
    return id3_tag(replace(tags, chapters=()), 0.0)


def _loop(first: int, count: int, rate: int) -> bytes:
    """One loop, forward and without end; its last sample is counted in."""
    sampler = (0, 0, round(1e9 / rate), _MIDDLE_C, 0, 0, 0, 1, 0)
    return _chunk(b"smpl", struct.pack("<9I6I", *sampler, 0, 0, first, count - 1, 0, 0))
