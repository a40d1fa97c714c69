"""Comments of FLAC and Opus: "Ogg Vorbis I format specification: comment field and header".

Chapters as in the chapter extension of Xiph's wiki (CHAPTER000, CHAPTER000NAME); key and tempo by
common practice (INITIALKEY, BPM).
"""

from __future__ import annotations

from drillgen.audio.tags import ARTIST, Tags


def comments(tags: Tags) -> dict[str, str]:
    """Fields and texts, in order."""
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
