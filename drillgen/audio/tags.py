"""What an audio file says of itself, and the chunks in which a WAV says it.

Texts, track number, tempo, key and chapters as Vorbis comments (FLAC, Opus) and as ID3v2.3 (MP3,
and in WAV what RIFF cannot say).

WAV: reading 16 bits in blocks; writing cue points, texts and loops as chunks after the samples.

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

from drillgen.disk import write_at
from drillgen.errors import AudioError, reason

ARTIST = "drillgen"


@dataclass(frozen=True, slots=True)
class Chapter:
    """A place to jump to."""

    start: float  # seconds from the file's first sample
    title: str  # "Bb, call"


@dataclass(frozen=True, slots=True)
class Tags:
    """A track's title and facts.  What is "", 0 or None is unknown and is not written."""

    title: str
    album: str = ""  # the lesson's title
    track: int = 0  # from 1
    tracks: int = 0  # how many the album has
    key: str = ""  # "Bb", "Bb major" or "F# minor"; "" where the track has several
    tempo: float | None = None  # beats a minute
    genre: str = "Practice"
    comment: str = ""  # the note for the student
    licence: str = ""  # of the sounds; nothing is claimed for what is played with them
    chapters: tuple[Chapter, ...] = ()  # in order of their starts, all inside the file
    loop_from: float | None = None  # seconds: played round from here to the end; WAV alone says so

    @property
    def short_key(self) -> str:
        """'Bb', 'F#m': ID3v2.3, 4.2.1, TKEY; other formats have taken its spelling over."""
        return self.key.replace(" major", "").replace(" minor", "m")

    @property
    def number(self) -> str:
        """'3', or '3/12' where the album's tracks are counted; '' where there is no number."""
        whole = f"/{self.tracks}" if self.tracks else ""
        return f"{self.track}{whole}" if self.track else ""

    @property
    def whole_tempo(self) -> str:
        """For formats that take a whole number (ID3v2.3, 4.2.1, TBPM; MP4's `tmpo`)."""
        return "" if self.tempo is None else str(round(self.tempo))

    def spans(self, seconds: float) -> Iterator[tuple[Chapter, float]]:
        """Each chapter and where it ends: where the next begins, or with the file."""
        ends = (*(chapter.start for chapter in self.chapters[1:]), seconds)
        return zip(self.chapters, ends, strict=False)


def vorbis_comments(tags: Tags) -> dict[str, str]:
    """Fields and texts, in order: "Ogg Vorbis I format specification: comment field and header".

    Chapters as in the chapter extension of Xiph's wiki (CHAPTER000, CHAPTER000NAME); key, tempo and
    the count of tracks by common practice (INITIALKEY, BPM, TRACKTOTAL).
    """
    fields = {
        "TITLE": tags.title,
        "ARTIST": ARTIST,
        "ALBUM": tags.album,
        "TRACKNUMBER": str(tags.track or ""),
        "TRACKTOTAL": str(tags.tracks or ""),
        "GENRE": tags.genre,
        "INITIALKEY": tags.short_key,
        "BPM": "" if tags.tempo is None else f"{tags.tempo:g}",
        "DESCRIPTION": tags.comment,
        "LICENSE": tags.licence,
    }
    for number, chapter in enumerate(tags.chapters):
        fields[f"CHAPTER{number:03}"] = _clock(chapter.start)
        fields[f"CHAPTER{number:03}NAME"] = chapter.title
    return {field: text for field, text in fields.items() if text}


def _clock(seconds: float) -> str:
    """'00:01:02.345'."""
    whole, thousandths = divmod(round(seconds * 1000), 1000)
    minutes, left = divmod(whole, 60)
    return f"{minutes // 60:02}:{minutes % 60:02}:{left:02}.{thousandths:03}"


# ID3v2.3.0 informal standard, chapters 3 and 4, and "ID3v2 Chapter Frame Addendum 1.0" (CHAP and
# CTOC).  Version 2.3 and not 2.4, since players in cars and file managers read it more surely
# (common practice).
_UTF16 = b"\x01"  # the encoding that every text of a frame is in (3.3): with a byte order mark
_ENGLISH = b"eng"  # by ISO 639-2; the note may be in any language
_ORDERED_AND_TOP = 0b11  # flags of CTOC (addendum, 3.2)
_LISTED = 255  # a byte counts the entries of a table of contents
_NO_OFFSET = 0xFFFFFFFF  # go by time (addendum, 3.1)


def id3_tag(tags: Tags, seconds: float) -> bytes:
    """The tag of a file of that length, as bytes that stand in front of it."""
    frames = b"".join((*_facts(tags), *_chapters(tags, seconds), *_remarks(tags)))
    size = len(frames)  # in four bytes of seven bits (3.1)
    sevens = bytes(size >> shift & 0x7F for shift in (21, 14, 7, 0))
    return b"ID3\x03\x00\x00" + sevens + frames


def _facts(tags: Tags) -> Iterator[bytes]:
    """Text frames (4.2)."""
    texts = {
        b"TIT2": tags.title,
        b"TPE1": ARTIST,
        b"TRCK": tags.number,
        b"TALB": tags.album,
        b"TCON": tags.genre,
        b"TBPM": tags.whole_tempo,
        b"TKEY": tags.short_key,
    }
    return (_frame(name, _UTF16 + _zero_ended(text)) for name, text in texts.items() if text)


def _remarks(tags: Tags) -> Iterator[bytes]:
    """The note as a comment without a heading (4.11), the licence as terms of use (4.23)."""
    if tags.comment:
        yield _frame(b"COMM", _UTF16 + _ENGLISH + _zero_ended("") + _zero_ended(tags.comment))
    if tags.licence:
        yield _frame(b"USER", _UTF16 + _ENGLISH + _zero_ended(tags.licence))


def _chapters(tags: Tags, seconds: float) -> Iterator[bytes]:
    """A table of contents and the chapters, in milliseconds."""
    names = [b"chapter%d\0" % number for number in range(1, len(tags.chapters) + 1)]
    if listed := names[:_LISTED]:
        head = b"toc\0" + bytes((_ORDERED_AND_TOP, len(listed)))
        yield _frame(b"CTOC", head + b"".join(listed))
    for name, (chapter, end) in zip(names, tags.spans(seconds), strict=True):
        times = round(chapter.start * 1000), round(end * 1000), _NO_OFFSET, _NO_OFFSET
        title = _frame(b"TIT2", _UTF16 + _zero_ended(chapter.title))
        yield _frame(b"CHAP", name + struct.pack(">4I", *times) + title)


def _frame(name: bytes, content: bytes) -> bytes:
    """Name, size, no flags, content (3.3)."""
    return name + struct.pack(">IH", len(content), 0) + content


def _zero_ended(text: str) -> bytes:
    return b"\xff\xfe" + text.replace("\0", " ").encode("utf-16-le") + b"\0\0"


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
    """The samples of `source` as a WAV file with `tags`: a track has 3 hours at most, which is
    less than the 4 GB that sizes of 32 bits can say."""
    file.write(_head(source, 0))
    for block in source.blocks():
        file.write(block)
    add_chunks(source, file, tags)


def add_chunks(source: AudioSource, file: IO[bytes], tags: Tags) -> None:
    """Put `tags` behind the samples of `source` in `file`, a WAV that ends with them.

    The size in the head comes last, so that whatever happens before leaves a WAV without tags.

    Raises OSError: it cannot be written; then it is as long as it was.
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
