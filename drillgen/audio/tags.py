"""What an audio file says of itself, and the words of the formats that say it.

Texts, track number, tempo, key and chapters as Vorbis comments (FLAC, Opus) and as ID3v2.3 (MP3,
and in WAV what RIFF cannot say).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

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
