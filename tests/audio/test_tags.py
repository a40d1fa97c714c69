"""Titles and facts, read back by what did not write them: libav, libsndfile, and small readers
after the specifications (`readers.py`)."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import av
import pytest
import soundfile

from drillgen.audio.formats import FORMATS, encode
from drillgen.audio.tags import Chapter, Tags, vorbis_comments
from tests.audio.conftest import Piece
from tests.audio.helpers import RATE, TAGS, chapters
from tests.audio.readers import (
    comments,
    id3_chapters,
    id3_frames,
    id3_text,
    mp4_tags,
    riff_chunks,
)

# ID3v2.3 says a tempo in whole numbers and keys as "F#m" (4.2.1, TBPM and TKEY).
BY_LIBAV = {
    "mp3": {
        "title": TAGS.title,
        "artist": "drillgen",
        "album": TAGS.album,
        "track": "3/12",
        "genre": "Practice",
        "TKEY": "F#m",
        "TBPM": "72",
        "comment": TAGS.comment,
    },
    "m4a": {
        "title": TAGS.title,
        "artist": "drillgen",
        "album": TAGS.album,
        "track": "3/12",
        "genre": "Practice",
        "initialkey": "F#m",
        "comment": TAGS.comment,
        "copyright": TAGS.licence,
    },
    "wav": {
        "title": TAGS.title,
        "artist": "drillgen",
        "album": TAGS.album,
        "genre": "Practice",
        "comment": TAGS.comment,
        "copyright": TAGS.licence,
    },
}
# The field names that "Ogg Vorbis I format specification: comment field" proposes, and by common
# practice INITIALKEY, BPM and TRACKTOTAL.
VORBIS = [
    ("TITLE", TAGS.title),
    ("ARTIST", "drillgen"),
    ("ALBUM", TAGS.album),
    ("TRACKNUMBER", "3"),
    ("TRACKTOTAL", "12"),
    ("GENRE", "Practice"),
    ("INITIALKEY", "F#m"),
    ("BPM", "72"),
    ("DESCRIPTION", TAGS.comment),
    ("LICENSE", TAGS.licence),
]
WITH_VORBIS_COMMENTS = ("flac", "opus")
# What libsndfile knows of tags, by its own names (sndfile.h: SF_STR_TITLE and so on).
SNDFILE = {
    "title": TAGS.title,
    "artist": "drillgen",
    "album": TAGS.album,
    "genre": "Practice",
}


@pytest.mark.parametrize("form", sorted(FORMATS.keys() - WITH_VORBIS_COMMENTS))
def test_tags_read_by_libav(piece: Piece, form: str) -> None:
    """libav finds title, album, track, key, tempo, genre, comment and licence."""
    assert form in BY_LIBAV, f"no row {form} in BY_LIBAV: the tags that it should have, for libav"
    with av.open(str(piece.files[form])) as file:
        found = dict(file.metadata)
    expected = BY_LIBAV[form]
    assert {name: found.get(name) for name in expected} == expected


@pytest.mark.parametrize("form", ["wav", "flac", "opus"])
def test_tags_read_by_libsndfile(piece: Piece, form: str) -> None:
    """libsndfile finds title, artist, album and genre."""
    with soundfile.SoundFile(piece.files[form]) as file:
        found = file.copy_metadata()
    assert {name: found.get(name) for name in SNDFILE} == SNDFILE


def test_frames_of_mp3(piece: Piece) -> None:
    """An MP3 begins with the text frames of ID3v2.3 (4.2.1), each once, and sound follows at once.

    A comment has a language and an empty heading (4.11); the licence of the sounds is given as
    terms of use (4.23), not as a copyright.
    """
    raw = piece.files["mp3"].read_bytes()
    frames = id3_frames(raw)
    assert {name: id3_text(content) for name, content in frames if name[0] == "T"} == {
        "TIT2": TAGS.title,
        "TPE1": "drillgen",
        "TRCK": "3/12",
        "TALB": TAGS.album,
        "TCON": "Practice",
        "TBPM": "72",
        "TKEY": "F#m",
    }
    others = [name for name, _ in frames if name[0] != "T"]
    assert others == ["CTOC", "CHAP", "CHAP", "CHAP", "COMM", "USER"]
    said = dict(frames)
    assert said["COMM"][:4] == said["USER"][:4] == b"\x01eng"
    heading, comment = said["COMM"][4:].decode("utf-16-le").removeprefix("\ufeff").split("\0", 1)
    assert (heading, comment.strip("\ufeff\0")) == ("", TAGS.comment)
    assert said["USER"][4:].decode("utf-16").removesuffix("\0") == TAGS.licence
    size = 10 + sum(10 + len(content) for _, content in frames)
    assert raw[size] == 0xFF and raw[size + 1] >> 5 == 7  # a frame of sound (ISO/IEC 11172-3)


def test_atoms_of_m4a(piece: Piece) -> None:
    """`ilst` has every tag once, as text in UTF-8 (type 1), the numbers in 16 bits.

    "QuickTime File Format", well-known types: 1 UTF-8, 21 a number (`tmpo`), 0 left to the atom
    (`trkn`: nothing, track, tracks, nothing).  The free-form names are common practice.
    """
    tags = mp4_tags(piece.files["m4a"])
    assert tags.pop("com.apple.iTunes:iTunSMPB")[0] == 1
    assert tags.pop("tmpo") == (21, struct.pack(">H", 72))
    assert tags.pop("trkn") == (0, struct.pack(">4H", 0, 3, 12, 0))
    assert tags == {
        "\xa9nam": (1, TAGS.title.encode()),
        "\xa9ART": (1, b"drillgen"),
        "\xa9alb": (1, TAGS.album.encode()),
        "\xa9gen": (1, b"Practice"),
        "\xa9cmt": (1, TAGS.comment.encode()),
        "cprt": (1, TAGS.licence.encode()),
        "com.apple.iTunes:initialkey": (1, b"F#m"),
    }


@pytest.mark.parametrize("form", WITH_VORBIS_COMMENTS)
def test_comments(piece: Piece, form: str) -> None:
    """FLAC (RFC 9639, 8.6) and Opus (RFC 7845, 5.2) have every comment once, then the chapters."""
    found = comments(piece.files[form])
    assert found[: len(VORBIS)] == VORBIS
    assert found[len(VORBIS) :] == [
        ("CHAPTER000", "00:00:00.000"),
        ("CHAPTER000NAME", "count-in"),
        ("CHAPTER001", "00:00:01.500"),
        ("CHAPTER001NAME", "Bb, call"),
        ("CHAPTER002", "00:00:03.250"),
        ("CHAPTER002NAME", "Bb, réponse"),
    ]


def test_key_and_tempo_in_wav(piece: Piece) -> None:
    """A WAV has an ID3 chunk too, which has fields for key and tempo."""
    raw = piece.files["wav"].read_bytes()
    frames = dict(id3_frames(dict(riff_chunks(raw, 12, len(raw)))[b"id3 "]))
    assert (id3_text(frames["TKEY"]), id3_text(frames["TBPM"])) == ("F#m", "72")
    assert "CHAP" not in frames  # cue points say it already


@pytest.mark.parametrize("form", FORMATS)
def test_chapters(piece: Piece, form: str) -> None:
    """libav finds every chapter at its time and with its name, to the millisecond.

    Read from `cue ` and `labl` in WAV, CHAP in MP3 ("ID3v2 Chapter Frame Addendum 1.0"), the text
    track or `chpl` in MP4, CHAPTER000 and so on in FLAC and Opus.
    """
    found = chapters(piece.files[form])
    assert found, "no chapters: `LibavCoding.muxer_has_chapters`, or fields of the tags, write them"
    assert [title for _, title in found] == [chapter.title for chapter in TAGS.chapters]
    assert [start for start, _ in found] == pytest.approx(
        [chapter.start for chapter in TAGS.chapters], abs=0.001
    )


def test_chapters_after_an_hour() -> None:
    """FLAC and Opus count chapters in hours, minutes, seconds and thousandths.

    Source: "Chapter Extension" of the Vorbis comment, Xiph's wiki (from memory).
    """
    fields = vorbis_comments(Tags("A", chapters=(Chapter(3723.4564, "Bb, call"),)))
    assert (fields["CHAPTER000"], fields["CHAPTER000NAME"]) == ("01:02:03.456", "Bb, call")


def test_table_of_contents(piece: Piece) -> None:
    """An MP3's CTOC is top-level and ordered and lists every CHAP (addendum, 3.2).

    The frame: its id, flags (bit 0 ordered, bit 1 top-level), how many entries, their ids.
    """
    raw = piece.files["mp3"].read_bytes()
    contents = dict(id3_frames(raw))["CTOC"]
    assert contents == b"toc\0\x03\x03chapter1\0chapter2\0chapter3\0"
    end = round(len(piece.samples) / RATE * 1000)
    assert id3_chapters(raw) == [
        ("chapter1", (0, 1500, 2**32 - 1, 2**32 - 1), "count-in"),
        ("chapter2", (1500, 3250, 2**32 - 1, 2**32 - 1), "Bb, call"),
        ("chapter3", (3250, end, 2**32 - 1, 2**32 - 1), "Bb, réponse"),
    ]


def test_more_chapters_than_a_table_lists(piece: Piece, tmp_path: Path) -> None:
    """A table of contents lists 255 chapters at most, one byte's worth (addendum, 3.2); each of 300
    has its frame all the same."""
    many = tuple(Chapter(number / 100, f"bar {number}") for number in range(300))
    encode(piece.wav, tmp_path / "a.mp3", "mp3", Tags("A", chapters=many))
    raw = (tmp_path / "a.mp3").read_bytes()
    contents = dict(id3_frames(raw))["CTOC"]
    assert contents[4:6] == b"\x03\xff" and contents[6:].count(b"\0") == 255
    assert [title for _, _, title in id3_chapters(raw)] == [f"bar {n}" for n in range(300)]


def test_both_kinds_of_mp4_chapters(piece: Piece) -> None:
    """An M4A has a list of chapters in `chpl` as well as a text track that `chap` refers to."""
    raw = piece.files["m4a"].read_bytes()
    assert b"chap" in raw
    at = raw.index(b"chpl") + 4
    assert raw[at + 8] == len(TAGS.chapters)  # after version, flags and four bytes kept free
    at += 9
    for chapter in TAGS.chapters:
        start, size = struct.unpack_from(">QB", raw, at)
        assert start == pytest.approx(chapter.start * 1e7, abs=1)  # in units of 100 ns
        assert raw[at + 9 : at + 9 + size].decode() == chapter.title
        at += 9 + size


def test_what_is_unknown_is_not_written(piece: Piece, tmp_path: Path) -> None:
    """A bare title gives a title, artist and genre, and no empty field."""
    for form in ("flac", "opus", "mp3", "m4a"):
        encode(piece.wav, tmp_path / f"a.{form}", form, Tags("Alone"))
    for form in ("flac", "opus"):
        found = comments(tmp_path / f"a.{form}")
        assert found == [("TITLE", "Alone"), ("ARTIST", "drillgen"), ("GENRE", "Practice")]
    frames = id3_frames((tmp_path / "a.mp3").read_bytes())
    assert [name for name, _ in frames] == ["TIT2", "TPE1", "TCON"]
    gapless = "com.apple.iTunes:iTunSMPB"  # of the sound, not of the tags
    assert set(mp4_tags(tmp_path / "a.m4a")) == {"\xa9nam", "\xa9ART", "\xa9gen", gapless}


def test_order_of_chunks(piece: Piece) -> None:
    """The samples keep their place at byte 44; sizes add up to the file's."""
    raw = piece.files["wav"].read_bytes()
    kind, size, form = struct.unpack_from("<4sI4s", raw)
    assert (kind, size, form) == (b"RIFF", len(raw) - 8, b"WAVE")
    names = [name for name, _ in riff_chunks(raw, 12, len(raw))]
    assert names == [b"fmt ", b"data", b"smpl", b"cue ", b"LIST", b"LIST", b"id3 "]
    assert raw[36:40] == b"data"
    assert raw[44 : 44 + piece.samples.nbytes] == piece.samples.tobytes()


def test_texts_of_wav(piece: Piece) -> None:
    """LIST INFO has RIFF's own fields, each ended by a zero, and ITRK (common practice)."""
    raw = piece.files["wav"].read_bytes()
    lists = [content for name, content in riff_chunks(raw, 12, len(raw)) if name == b"LIST"]
    info = next(content for content in lists if content.startswith(b"INFO"))
    assert dict(riff_chunks(info, 4, len(info))) == {
        b"INAM": TAGS.title.encode() + b"\0",
        b"IART": b"drillgen\0",
        b"IPRD": TAGS.album.encode() + b"\0",
        b"ITRK": b"3\0",
        b"IGNR": b"Practice\0",
        b"ICMT": TAGS.comment.encode() + b"\0",
        b"ICOP": TAGS.licence.encode() + b"\0",
    }


def command(path: Path, number: int, layout: str) -> tuple[Any, ...]:
    """What libsndfile's `sf_command` answers (sndfile.h: numbers and structures)."""
    with soundfile.SoundFile(path) as file:
        size = struct.calcsize(layout)
        answer = soundfile._ffi.new("char[]", size)
        assert soundfile._snd.sf_command(file._file, number, answer, size) == 1
        return struct.unpack(layout, bytes(soundfile._ffi.buffer(answer))[:size])


def test_cue_points(piece: Piece) -> None:
    """libsndfile finds a cue point on each chapter's very sample, with its label."""
    found = command(piece.files["wav"], 0x10CE, "<I" + "iI4siiI256s" * 3)  # SFC_GET_CUE
    assert found[0] == 3
    for number, chapter in enumerate(TAGS.chapters):
        _, position, chunk, _, _, offset, label = found[1 + 7 * number : 8 + 7 * number]
        assert position == offset == round(chapter.start * RATE)
        assert chunk == b"data"
        assert label.split(b"\0")[0].decode() == chapter.title


def test_loop(piece: Piece) -> None:
    """libsndfile finds one forward loop without end, from its start to the file's last sample."""
    layout = "<i6bxxi" + "iIII"  # SFC_GET_INSTRUMENT; libsndfile's ends are behind the last sample
    found = command(piece.files["wav"], 0x10D0, layout + "240x")
    count, mode, start, end, times = found[7:]
    assert (count, mode, times) == (1, 801, 0)  # SF_LOOP_FORWARD
    assert (start, end) == (round(1.5 * RATE), len(piece.samples))
