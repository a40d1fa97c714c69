"""Titles and facts, read back by a library that did not write them."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
import mutagen
import mutagen.wave
import pytest
import soundfile

from drillgen.audio import vorbis
from drillgen.audio.encode import encode
from drillgen.audio.forms import FORMS
from drillgen.audio.tags import Chapter, Tags
from tests.audio.conftest import Piece
from tests.audio.helpers import RATE, TAGS, chapters

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
VORBIS = {
    "title": TAGS.title,
    "artist": "drillgen",
    "album": TAGS.album,
    "tracknumber": "3",
    "tracktotal": "12",
    "genre": "Practice",
    "initialkey": "F#m",
    "bpm": "72",
    "description": TAGS.comment,
    "license": TAGS.licence,
}


@pytest.mark.parametrize("form", BY_LIBAV)
def test_tags_read_by_libav(piece: Piece, form: str) -> None:
    """libav finds title, album, track, key, tempo, genre, comment and licence."""
    with av.open(str(piece.files[form])) as file:
        found = dict(file.metadata)
    expected = BY_LIBAV[form]
    assert {name: found.get(name) for name in expected} == expected


def test_licence_in_mp3(piece: Piece) -> None:
    """The licence of the sounds is given as terms of use (ID3v2.3, 4.23), not as a copyright."""
    tags = mutagen.File(piece.files["mp3"]).tags
    assert [frame.text for frame in tags.getall("USER")] == [TAGS.licence]
    assert not tags.getall("TCOP")


def test_tempo_in_mp4(piece: Piece) -> None:
    """`tmpo` holds a whole number of 16 bits (type 21: "QuickTime File Format", well-known types).

    libav does not read it.
    """
    raw = piece.files["m4a"].read_bytes()
    data = raw.index(b"tmpo") + 4
    assert struct.unpack_from(">I4sIIH", raw, data) == (18, b"data", 21, 0, 72)


@pytest.mark.parametrize("form", ["flac", "opus"])
def test_comments_read_by_mutagen(piece: Piece, form: str) -> None:
    """mutagen finds the same in the comments of FLAC and Opus, each once."""
    tags = mutagen.File(piece.files[form]).tags
    assert {name: tags[name] for name in VORBIS} == {name: [text] for name, text in VORBIS.items()}


def test_key_and_tempo_in_wav(piece: Piece) -> None:
    """A WAV has an ID3 chunk too, which has fields for key and tempo."""
    tags = mutagen.wave.WAVE(piece.files["wav"]).tags
    assert (str(tags["TKEY"]), str(tags["TBPM"])) == ("F#m", "72")


@pytest.mark.parametrize("form", FORMS)
def test_chapters(piece: Piece, form: str) -> None:
    """libav finds every chapter at its time and with its name, to the millisecond.

    Read from `cue ` and `labl` in WAV, CHAP in MP3 ("ID3v2 Chapter Frame Addendum 1.0"), the text
    track or `chpl` in MP4, CHAPTER000 and so on in FLAC and Opus.
    """
    found = chapters(piece.files[form])
    assert [title for _, title in found] == [chapter.title for chapter in TAGS.chapters]
    assert [start for start, _ in found] == pytest.approx(
        [chapter.start for chapter in TAGS.chapters], abs=0.001
    )


def test_chapters_after_an_hour() -> None:
    """FLAC and Opus count chapters in hours, minutes, seconds and thousandths.

    Source: "Chapter Extension" of the Vorbis comment, Xiph's wiki (from memory).
    """
    fields = vorbis.comments(Tags("A", chapters=(Chapter(3723.4564, "Bb, call"),)))
    assert (fields["CHAPTER000"], fields["CHAPTER000NAME"]) == ("01:02:03.456", "Bb, call")


def test_table_of_contents(piece: Piece) -> None:
    """An MP3's CTOC is top-level and ordered and lists every CHAP (addendum, 3.2).

    The frame: its id, flags (bit 0 ordered, bit 1 top-level), how many entries, their ids.
    """
    raw = piece.files["mp3"].read_bytes()
    assert raw[:5] == b"ID3\x03\x00"
    contents = raw[raw.index(b"CTOC") + 10 :]
    assert contents.startswith(b"toc\0\x03\x03chapter1\0chapter2\0chapter3\0")
    times = [raw.rindex(b"chapter%d\0" % number) + 9 for number in (1, 2, 3)]
    end = round(len(piece.samples) / RATE * 1000)
    assert [struct.unpack_from(">IIII", raw, at) for at in times] == [
        (start, stop, 2**32 - 1, 2**32 - 1)
        for start, stop in ((0, 1500), (1500, 3250), (3250, end))
    ]


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
    encode(piece.wav, tmp_path / "a.flac", "flac", Tags("Alone"))
    tags = mutagen.File(tmp_path / "a.flac").tags
    assert sorted(name.lower() for name, _ in tags) == ["artist", "genre", "title"]
    encode(piece.wav, tmp_path / "a.mp3", "mp3", Tags("Alone"))
    assert sorted(mutagen.File(tmp_path / "a.mp3").tags) == ["TCON", "TIT2", "TPE1"]


def riff_chunks(raw: bytes, start: int, end: int) -> Iterator[tuple[bytes, bytes]]:
    """Name and content of each chunk (RIFF 1991, chapter 2: padded to even lengths)."""
    while start < end:
        name, size = struct.unpack_from("<4sI", raw, start)
        yield name, raw[start + 8 : start + 8 + size]
        start += 8 + size + size % 2
    assert start == end


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
