"""Tags of MP4 (M4A) files: the `ilst` atoms of the "QuickTime File Format Specification".

Key and gapless playback go in free-form atoms of the names that players have agreed on (common
practice).  Chapters are written by the muxer, as a text track and as a `chpl` atom.
"""

# mypy: disable-error-code="no-untyped-call"
# (mutagen is typed in part)
from __future__ import annotations

from dataclasses import dataclass
from typing import IO

from mutagen.mp4 import MP4, MP4FreeForm

from drillgen.audio.tags import ARTIST, Tags

_FREE = "----:com.apple.iTunes:"
_TEXTS = {
    "\xa9nam": "title",
    "\xa9alb": "album",
    "\xa9gen": "genre",
    "\xa9cmt": "comment",
    "cprt": "licence",
}
_PACKET = 1024  # samples of an AAC packet (ISO/IEC 14496-3), and libav's delay: one packet


@dataclass(frozen=True, slots=True)
class Gapless:
    """What a player must leave out."""

    count: int  # samples of sound, a channel
    packets: int

    @property
    def text(self) -> str:
        """Delay, padding and length in hexadecimal, as players that read no edit list want it."""
        padding = self.packets * _PACKET - _PACKET - self.count
        numbers = f"{_PACKET:08X} {padding:08X} {self.count:016X}"
        return f" 00000000 {numbers}" + " 00000000" * 8


def put(file: IO[bytes], tags: Tags, gapless: Gapless) -> None:
    """Write `tags` into a finished MP4 file."""
    file.seek(0)
    mp4 = MP4(file)
    if mp4.tags is None:
        mp4.add_tags()
    mp4["\xa9ART"] = ARTIST
    for atom, field in _TEXTS.items():
        if text := getattr(tags, field):
            mp4[atom] = text
    if tags.track:
        mp4["trkn"] = [(tags.track, tags.tracks)]
    if tags.tempo is not None:
        mp4["tmpo"] = [round(tags.tempo)]
    if tags.key:
        mp4[_FREE + "initialkey"] = MP4FreeForm(tags.short_key.encode())
    mp4[_FREE + "iTunSMPB"] = MP4FreeForm(gapless.text.encode())
    file.seek(0)
    mp4.save(file)
