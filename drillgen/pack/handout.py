"""What goes with a whole pack: `NOTES.txt`, which a student reads first, playlists, a register.

Playlists are extended M3U in UTF-8 (.m3u8), which nearly every player opens (common practice).

The notes are UTF-8 with a byte order mark and CRLF: without the mark, the file previews of some
phones and computers take `♭` and `é` for other signs (RFC 3629, section 6, allows it); CRLF is the
canonical line end of text/plain (RFC 2046, section 4.1.1), and what older Windows editors need.

How to practise is common practice among teachers of jazz; the cautions are those of the README,
with the figure of WHO and ITU for loudness (H.870, safe listening: 80 dB(A) for 40 hours a week).
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, zip_longest
from pathlib import Path
from textwrap import fill, wrap
from typing import Any

from drillgen.disk import whole_file
from drillgen.drill.messages import plain
from drillgen.errors import clock, counted, unwritable
from drillgen.pack import manifest
from drillgen.pack.files import write_whole
from drillgen.pack.manifest import ManifestEntry, files_of
from drillgen.pack.settings import NOTES, PLAYLISTS, SPLIT
from drillgen.pack.tasks import PackTask, Workspace, cache_key_of, program
from drillgen.page import ALONE, INDEX
from drillgen.sound.known_soundfonts import UNKNOWN, strictest, strictness


@dataclass(frozen=True, slots=True)
class PlaylistEntry:
    """A file to play."""

    path: Path
    title: str
    seconds: float


def playlist(entries: Iterable[PlaylistEntry], folder: Path) -> str:
    """The text of a playlist that lies in `folder`; names are relative to it, with slashes."""
    lines = ["#EXTM3U"]
    for entry in entries:
        title = " ".join(entry.title.split())  # a line each
        lines += [f"#EXTINF:{round(entry.seconds)},{title}", _name(entry.path, folder)]
    return "\n".join(lines) + "\n"


def write_playlist(target: Path, entries: Iterable[PlaylistEntry]) -> None:
    """Write a playlist, whole or not at all.

    Raises:
        AudioError: it cannot be written.
    """
    try:
        with whole_file(target) as file:
            file.write(playlist(entries, target.parent).encode())
    except OSError as error:
        raise unwritable(target, error) from error


def _name(path: Path, folder: Path) -> str:
    name = Path(os.path.relpath(path, folder)).as_posix()
    return f"./{name}" if name.startswith("#") else name  # else it would be a remark


# What to open first: the page, or else a track with its line, or else one without.
OPEN_PAGE = "Open this in a browser. It is the practice page, and needs no network:"
HEAR_LINE = "Listen to this. The line is played, then there is room to play it back:"
HEAR = "Listen to this:"

# What is in the name of such a file, and what it is.
CONTENTS: tuple[tuple[str, str], ...] = (
    (INDEX, "index.html: the practice page. Leave it beside the rest of this folder."),
    (ALONE, "page.html: the practice page in one file, which can travel alone."),
    ("booklet.pdf", "booklet.pdf: every sheet of the lesson, to print; the answers come last."),
    ("booklet for ", "booklet for ….pdf: the same for another reader."),
    (".m3u8", "….m3u8: a playlist, for any player."),
    ("/", "A folder for each drill; where they are numbered, that is their order."),
    (" with line.", "… with line: the band and the line, to listen to and to answer."),
    (" with line.", "The same without “with line”: the band alone, to play the line over."),
    (".mid", "….mid: the same as MIDI, for a keyboard or a notation program."),
    (".pdf", "….pdf: the sheet, to print."),
    (".musicxml", "….musicxml: the notes, for a notation program."),
    (" answers.", "… answers: what was called. Look only when you have answered by ear."),
    ("stems/", "stems: each part alone."),
    ("loops/", "loops: each key by itself, to go round and round without a seam."),
)
OTHER_MIXES = "other mixes, of the parts that their names say."
TWO_SIDES = "In “left and right” the band is on the left and the line on the right."

PRACTICE: tuple[str, ...] = (
    "Hear. Leave the bass alone and listen to a call. Where does it begin, and where does it go?",
    "Sing. Sing it back in the gap, on any syllable. What you can sing, your hands can find.",
    "Play back. Now on the bass, in the gap, at once. Where a note is wrong, sing it again rather "
    "than hunt for it.",
    "Round the keys. Stay in one key until it is easy, then let the track carry you through the "
    "others. The same line sits differently under the hand in each.",
    "{slowly}",
    "Then alone. Play the line over the band without it, then something of your own.",
    "Short and often. Ten minutes twice a day do more than two hours on a Sunday.",
)

# What is slower: another track, else the page.
SLOWLY = (
    "Slowly first. Begin with the slowest tempo. Go one faster when you have answered in every "
    "key, in time and with loose hands, on two days running. Where it falls apart, go back one."
)
SLOWLY_ON_THE_PAGE = (
    "Slowly first. Where it falls apart, have the practice page play it slower. Go a little faster "
    "when you have answered in every key, in time and with loose hands, on two days running."
)

CARE: tuple[str, ...] = (
    "Start quietly. As a yardstick, the World Health Organization and ITU (H.870) take 80 dB(A) "
    "for 40 hours a week as the most that adults should hear; 3 dB more halves the time. On "
    "headphones, keep to a level at which you can still hear someone speak to you.",
    "Raise your playing time little by little, warm up, and take a break at least every half hour.",
    "Stop when something hurts, tingles or goes numb, and if it stays or comes back, see a "
    "clinician. A ringing in the ears after playing is a sign, too.",
    "This is general advice. What a clinician tells you, and the rules of your school, workplace "
    "or country, go before it.",
)

HANDING_ON: tuple[str, ...] = (
    "What this licence allows for music made with the sounds holds for the recordings in this "
    "folder. The program that made them claims nothing on them, on the notes or on the sheets. "
    "A melody or a text that somebody wrote into a drill is theirs: ask them.",
)


NOBODY_SAYS = (
    "What may be done with sounds whose licence is unknown, nobody has said: find their maker and "
    "ask before you hand the recordings on."
)

_WIDTH = 76
_FONTS = ("soundfont", "own_sounds")  # of an entry
_SHORT_SUM = 12  # hexadecimal digits: enough to tell soundfonts apart


def notes_text(
    title: str, entries: Sequence[ManifestEntry], others: Collection[str] = (), note: str = ""
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
        _section("How to practise", map(_item, _practice(names, entries))),
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


def heard_first(entry: ManifestEntry) -> str:
    """What of a track is to be heard first."""
    files = entry["files"]
    return str(files.get("with line", files["play-along"]))


def _first(names: Sequence[str], entries: Sequence[ManifestEntry]) -> str:
    """The page; else what is to be heard first."""
    if INDEX in names:
        return f"{_paragraph(OPEN_PAGE)}\n\n  {INDEX}"
    words = HEAR_LINE if "with line" in entries[0]["files"] else HEAR
    return f"{_paragraph(words)}\n\n  {heard_first(entries[0])}"


def _practice(names: Sequence[str], entries: Sequence[ManifestEntry]) -> Iterator[str]:
    tempos = {(entry["folder"], _tempo(entry)) for entry in entries}
    several = len(tempos) > len({folder for folder, _ in tempos})
    slowly = SLOWLY if several else SLOWLY_ON_THE_PAGE if INDEX in names else ""
    return filter(None, (step.format(slowly=slowly) for step in PRACTICE))


def _contents(names: Sequence[str], mixes: Iterable[str]) -> Iterator[str]:
    for mark, words in CONTENTS:
        if any(mark in name for name in names):
            yield _item(words)
    names = list(dict.fromkeys(mixes))
    if names:
        sides = f" {TWO_SIDES}" if SPLIT in names else ""
        yield _item(f"{', '.join(f'… {name}' for name in names)}: {OTHER_MIXES}{sides}")


def _drills(entries: Sequence[ManifestEntry]) -> Iterator[str]:
    folders = groupby(entries, key=lambda entry: entry["folder"])
    for number, (_, tracks) in enumerate(folders, 1):
        yield _drill(number, list(tracks))


def _drill(number: int, tracks: Sequence[ManifestEntry]) -> str:
    first = f"{number}. "
    later = " " * len(first)
    note = plain(tracks[0].get("note", ""))
    lines = [_paragraph(plain(tracks[0]["drill"]), first, later)]
    lines += [_paragraph(note, later, later)] if note else []
    lines.append(_paragraph(f"Keys: {_listed(map(_keys, tracks))}.", later, later))
    lines.append(_paragraph(f"Tempo: {_listed(map(_tempo, tracks))}.", later, later))
    return "\n".join(lines)


def _keys(track: ManifestEntry) -> str:
    """'C, Bb, D minor': a major key is called by its tonic alone."""
    return ", ".join(key.removesuffix(" major") for key in track["keys"])


def _tempo(track: ManifestEntry) -> str:
    tempo = track["tempo"]
    if isinstance(tempo, Mapping):
        way = "climbing" if tempo["to"] > tempo["from"] else "slowing"
        return f"{tempo['from']:g} {way} to {tempo['to']:g}"
    return f"{tempo:g}"


def _listed(words: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(words))


def fonts_of(entry: ManifestEntry) -> Iterator[ManifestEntry]:
    """Name, licence and SHA-256 of every soundfont that is heard in a track."""
    yield from (entry[kind] for kind in _FONTS if kind in entry)
    yield from entry.get("other_sounds", ())


def _handing_on(entries: Iterable[ManifestEntry]) -> Iterator[str]:
    used = [font for entry in entries for font in fonts_of(entry)]
    fonts = {font["sha256"]: font for font in used}
    for sha256, font in fonts.items():
        licence = plain(font["licence"] or "unknown")
        known = f"The sounds: {plain(font['name'])}. Licence: {licence}."
        yield _paragraph(f"{known} SHA-256: {sha256[:_SHORT_SUM]}…")
    licences = dict.fromkeys(font["licence"] or "unknown" for font in fonts.values())
    if len(licences) > 1:
        yield _paragraph(f"Together they are as free as the strictest: {strictest(licences)}.")
    if any(strictness(each) >= UNKNOWN for each in licences):
        yield _paragraph(NOBODY_SAYS)
    yield from map(_paragraph, HANDING_ON)


# The register: what a pack holds, a row a drill, for the teacher.

REGISTER_HEAD = ("", "Drill", "Keys", "Tempo (length)", "Call + response", "Answers")
_ANSWERS = "sheet answers"


@dataclass(frozen=True, slots=True)
class Register:
    """A pack as a table under `REGISTER_HEAD`."""

    title: str
    part: int  # of a class, in its order from 1; 0: of none
    rows: tuple[tuple[str, ...], ...]
    total: str  # how much there is


def register(pack: Path) -> Register:
    """A pack's register, by its manifest; damaged entries are left out."""
    document = manifest.read(pack).document
    sections = manifest.sections(document)
    tracks, sheets = sections.get("tracks", []), sections.get("sheets", [])
    named = {entry["folder"]: entry["files"] for entry in sheets}
    folders = groupby(tracks, key=lambda entry: entry["folder"])
    rows = tuple(
        _registered(number, list(own), named.get(folder, {}))
        for number, (folder, own) in enumerate(folders, 1)
    )
    seconds = sum(float(track["seconds"]) for track in tracks)
    total = f"{counted(len(tracks), 'track')}, {clock(seconds)} of music"
    title = plain(str(document.get("title", pack.name)))
    return Register(title, manifest.part_of(document), rows, total)


def _registered(
    number: int, tracks: Sequence[ManifestEntry], sheets: Mapping[str, Any]
) -> tuple[str, ...]:
    keys = dict.fromkeys(key for track in tracks for key in track["keys"])
    lengths: dict[str, float] = {}
    for track in tracks:
        tempo = _tempo(track)
        lengths[tempo] = lengths.get(tempo, 0.0) + float(track["seconds"])
    first = [track for track in tracks if _tempo(track) == _tempo(tracks[0])]
    answers = _ANSWERS if _ANSWERS in sheets else "sheet" if "sheet" in sheets else "–"
    return (
        str(number),
        plain(tracks[0]["drill"]),
        ", ".join(key.removesuffix(" major") for key in keys),
        ", ".join(f"{tempo} ({clock(seconds)})" for tempo, seconds in lengths.items()),
        _calls([bar for track in first for bar in track.get("bars", ())]),
        answers,
    )


def _calls(bars: Sequence[Mapping[str, Any]]) -> str:
    """How many bars of calls there are at one tempo, and of responses."""
    roles = [bar.get("role") for bar in bars if isinstance(bar, Mapping)]
    calls, responses = roles.count("call"), roles.count("response")
    return f"{calls} + {responses} bars" if calls else "–"


def as_columns(found: Register, width: int = 80) -> str:
    """A register for a terminal: columns, long cells wrapped."""
    rows = [REGISTER_HEAD, *found.rows]
    ends = [max(len(row[column]) for row in rows) for column in range(len(REGISTER_HEAD))]
    while sum(ends) + 2 * len(ends) > width and max(ends) > _NARROW:
        ends[ends.index(max(ends))] -= 1
    lines = [line for row in rows for line in _wrapped(row, ends)]
    return "\n".join([found.title, "", *lines, "", found.total])


_NARROW = 8  # characters: no column is narrower for want of room


def _wrapped(row: Sequence[str], widths: Sequence[int]) -> Iterator[str]:
    cells = [wrap(cell, end) or [""] for cell, end in zip(row, widths, strict=True)]
    for parts in zip_longest(*cells, fillvalue=""):
        pairs = zip(parts, widths, strict=True)
        yield "  ".join(part.ljust(end) for part, end in pairs).rstrip()


NOTES_SECTION, LISTS_SECTION = "notes", "playlists"


@dataclass(frozen=True, slots=True)
class NotesJob:
    """What is said in the notes."""

    title: str
    note: str
    tracks: tuple[ManifestEntry, ...]
    others: tuple[str, ...]  # the pack's other files for a reader


@dataclass(frozen=True, slots=True)
class ListJob:
    """What is on a playlist: each file with its title and its seconds."""

    name: str
    items: tuple[tuple[str, str, float], ...]


def notes_task(
    title: str, note: str, tracks: Sequence[ManifestEntry], others: Sequence[str]
) -> PackTask:
    """The task of the text to read first."""
    job = NotesJob(title, note, tuple(tracks), tuple(others))
    key = cache_key_of(program(), title, note, job.tracks, job.others)
    return PackTask(key, NOTES_SECTION, "", NOTES, 1.0, _write_notes, job, here=True)


def playlist_tasks(tracks: Sequence[ManifestEntry]) -> tuple[PackTask, ...]:
    """The tasks of the playlists; none where there is one track alone."""
    if len(tracks) < 2:
        return ()
    jobs = [ListJob(name, tuple(_items(tracks, role))) for role, name in PLAYLISTS.items()]
    return tuple(
        PackTask(
            cache_key_of(program(), job),
            LISTS_SECTION,
            "",
            job.name,
            1.0,
            _write_list,
            job,
            here=True,
        )
        for job in jobs
        if job.items
    )


def _items(tracks: Sequence[ManifestEntry], role: str) -> list[tuple[str, str, float]]:
    found = []
    for track in tracks:
        files: Mapping[str, Any] = track["files"]
        name = files.get(role)
        if isinstance(name, str):
            stem = name.rpartition("/")[2].rpartition(".")[0]
            found.append((name, stem, float(track["seconds"])))
    return found


def _write_notes(job: NotesJob, place: Workspace) -> ManifestEntry:
    text = notes_text(job.title, job.tracks, job.others, note=job.note)
    write_whole(place.folder / NOTES, notes_bytes(text))
    return {"files": {"notes": NOTES}}


def _write_list(job: ListJob, place: Workspace) -> ManifestEntry:

    items = [
        PlaylistEntry(place.folder / name, title, seconds) for name, title, seconds in job.items
    ]
    write_playlist(place.folder / job.name, items)
    return {"files": {"playlist": job.name}}
