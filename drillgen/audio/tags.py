"""What an audio file says of itself, before it is put in any one format's words."""

from __future__ import annotations

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

    def ends(self, seconds: float) -> tuple[float, ...]:
        """Where each chapter ends: where the next begins, or with the file."""
        return (*(chapter.start for chapter in self.chapters[1:]), seconds)
