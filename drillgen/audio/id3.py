"""ID3v2.3 tags with chapters.

ID3v2.3.0 informal standard, chapter 4, and "ID3v2 Chapter Frame Addendum 1.0" (CHAP, CTOC).
Version 2.3 and not 2.4, since players in cars and file managers read it more surely (common
practice).
"""

# mypy: disable-error-code="no-untyped-call"
# (mutagen is typed in part)
from __future__ import annotations

from collections.abc import Iterator
from io import BytesIO

from mutagen.id3 import (
    CHAP,
    COMM,
    CTOC,
    ID3,
    TALB,
    TBPM,
    TCON,
    TIT2,
    TKEY,
    TPE1,
    TRCK,
    USER,
    CTOCFlags,
    Frame,
)

from drillgen.audio.tags import ARTIST, Tags

_LISTED = 255  # a byte counts the entries of a table of contents
_NO_OFFSET = 0xFFFFFFFF  # go by time (addendum, 3.1)
_TEXTS = {TIT2: "title", TALB: "album", TKEY: "short_key", TCON: "genre"}


def tag(tags: Tags, seconds: float) -> bytes:
    """The tag of a file of that length, as bytes that stand in front of it."""
    id3 = ID3()
    for frame in (*_frames(tags), *_chapters(tags, seconds)):
        id3.add(frame)
    id3.update_to_v23()
    out = BytesIO()
    id3.save(out, v1=0, v2_version=3, padding=lambda _: 0)
    return out.getvalue()


def _frames(tags: Tags) -> Iterator[Frame]:
    for kind, field in _TEXTS.items():
        if text := getattr(tags, field):
            yield kind(text=text)
    yield TPE1(text=ARTIST)
    if tags.track:
        yield TRCK(text=f"{tags.track}/{tags.tracks}" if tags.tracks else str(tags.track))
    if tags.tempo is not None:
        yield TBPM(text=str(round(tags.tempo)))  # a whole number (4.2.1)
    if tags.comment:
        yield COMM(lang="eng", desc="", text=tags.comment)
    if tags.licence:
        yield USER(lang="eng", text=tags.licence)  # terms of use (4.23); few players show it


def _chapters(tags: Tags, seconds: float) -> Iterator[Frame]:
    names = [f"chapter{number}" for number in range(1, len(tags.chapters) + 1)]
    for name, chapter, end in zip(names, tags.chapters, tags.ends(seconds), strict=False):
        yield CHAP(
            element_id=name,
            start_time=round(chapter.start * 1000),
            end_time=round(end * 1000),
            start_offset=_NO_OFFSET,
            end_offset=_NO_OFFSET,
            sub_frames=[TIT2(text=chapter.title)],
        )
    if names:
        flags = CTOCFlags.TOP_LEVEL | CTOCFlags.ORDERED
        yield CTOC(element_id="toc", flags=flags, child_element_ids=names[:_LISTED], sub_frames=[])
