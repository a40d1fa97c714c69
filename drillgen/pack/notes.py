"""`NOTES.txt`: what a student reads first in a pack.

UTF-8 with a byte order mark and CRLF: without the mark, the file previews of some phones and
computers take `♭` and `é` for other signs (RFC 3629, section 6, allows it); CRLF is the canonical
line end of text/plain (RFC 2046, section 4.1.1), and what older Windows editors need.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from textwrap import fill

from drillgen.drill.messages import plain
from drillgen.pack.manifest import files_of
from drillgen.pack.mixes import SPLIT
from drillgen.pack.notes_words import (
    CARE,
    CONTENTS,
    HANDING_ON,
    HEAR,
    HEAR_LINE,
    OPEN_PAGE,
    OTHER_MIXES,
    PRACTICE,
    TWO_SIDES,
)
from drillgen.pack.tasks import Entry
from drillgen.page.models import INDEX

NAME = "NOTES.txt"
_WIDTH = 76
_SHORT_SUM = 12  # hexadecimal digits: enough to tell soundfonts apart


def notes_text(
    title: str, entries: Sequence[Entry], others: Collection[str] = (), note: str = ""
) -> str:
    """The notes of a pack as text with plain line ends, wrapped at 76 characters.

    `entries` are the tracks of its manifest (`drill`, `note`, `folder`, `keys`, `tempo`, `files`,
    `soundfont`), in the order in which they are to be read; `others` are its other files
    (`index.html`, playlists, a booklet), `note` the lesson's own sentences.  All names count from
    the pack's folder.
    """
    names = [*others, *(name for entry in entries for name in files_of(entry))]
    mixes = [name for entry in entries for name in entry["files"].get("mixes", ())]
    sections = [
        _heading(plain(title), "="),
        *([_paragraph(plain(note))] if note else []),
        _section("Open first", [_first(names, entries)]),
        _section("What is here", ["\n".join(_contents(names, mixes))]),
        _section("How to practise", map(_item, PRACTICE)),
        _section("The drills", _drills(entries)),
        _section("Take care", map(_item, CARE)),
        _section("May this be handed on?", _handing_on(entries)),
    ]
    return "\n\n".join(sections) + "\n"


def notes_bytes(text: str) -> bytes:
    """The text as it lies in the pack."""
    return text.replace("\n", "\r\n").encode("utf-8-sig")


def _heading(words: str, line: str = "-") -> str:
    title = fill(words, _WIDTH)
    return f"{title}\n{line * max(map(len, title.splitlines()))}"


def _section(words: str, paragraphs: Iterable[str]) -> str:
    return "\n\n".join([_heading(words), *paragraphs])


def _paragraph(words: str, first: str = "", later: str = "") -> str:
    """Wrapped; names of files stay whole, so that they can be found."""
    return fill(
        words,
        _WIDTH,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _item(words: str) -> str:
    return _paragraph(words, "- ", "  ")


def heard_first(entry: Entry) -> str:
    """What of a track is to be heard first."""
    files = entry["files"]
    return str(files.get("with line", files["play-along"]))


def _first(names: Sequence[str], entries: Sequence[Entry]) -> str:
    """The page; else what is to be heard first."""
    if INDEX in names:
        return f"{_paragraph(OPEN_PAGE)}\n\n  {INDEX}"
    words = HEAR_LINE if "with line" in entries[0]["files"] else HEAR
    return f"{_paragraph(words)}\n\n  {heard_first(entries[0])}"


def _contents(names: Sequence[str], mixes: Iterable[str]) -> Iterator[str]:
    for mark, words in CONTENTS:
        if any(mark in name for name in names):
            yield _item(words)
    names = list(dict.fromkeys(mixes))
    if names:
        sides = f" {TWO_SIDES}" if SPLIT in names else ""
        yield _item(f"{', '.join(f'… {name}' for name in names)}: {OTHER_MIXES}{sides}")


def _drills(entries: Sequence[Entry]) -> Iterator[str]:
    folders = groupby(entries, key=lambda entry: entry["folder"])
    for number, (_, tracks) in enumerate(folders, 1):
        yield _drill(number, list(tracks))


def _drill(number: int, tracks: Sequence[Entry]) -> str:
    first = f"{number}. "
    later = " " * len(first)
    note = plain(tracks[0].get("note", ""))
    lines = [_paragraph(plain(tracks[0]["drill"]), first, later)]
    lines += [_paragraph(note, later, later)] if note else []
    lines.append(_paragraph(f"Keys: {_listed(map(_keys, tracks))}.", later, later))
    lines.append(_paragraph(f"Tempo: {_listed(map(_tempo, tracks))}.", later, later))
    return "\n".join(lines)


def _keys(track: Entry) -> str:
    """'C, Bb, D minor': a major key is called by its tonic alone."""
    return ", ".join(key.removesuffix(" major") for key in track["keys"])


def _tempo(track: Entry) -> str:
    tempo = track["tempo"]
    if isinstance(tempo, Mapping):
        way = "climbing" if tempo["to"] > tempo["from"] else "slowing"
        return f"{tempo['from']:g} {way} to {tempo['to']:g}"
    return f"{tempo:g}"


def _listed(words: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(words))


def _handing_on(entries: Iterable[Entry]) -> Iterator[str]:
    fonts = {entry["soundfont"]["sha256"]: entry["soundfont"] for entry in entries}
    for sha256, font in fonts.items():
        licence = plain(font["licence"] or "unknown: ask before you hand the sound on")
        known = f"The sounds: {plain(font['name'])}. Licence: {licence}."
        yield _paragraph(f"{known} SHA-256: {sha256[:_SHORT_SUM]}…")
    yield from map(_paragraph, HANDING_ON)
