"""`manifest.json`: what is in a pack, for machines and for the curious.

`docs/manifest.md` describes it; names, once given, stay.

A person, or a failing disk, may have been at it: an entry can be used where everything that other
modules read of it is there, each of its kind.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from drillgen.disk import is_regular
from drillgen.pack.inside import is_name
from drillgen.page import FOLDER
from drillgen.version import VERSION

ManifestEntry = dict[str, Any]
NAME = "manifest.json"
_HEAD = ("program", "version", "title", "part")  # what is no section
_MOST = 64 << 20  # bytes that are read; a track has some 20 kB


def document(
    title: str, sections: Mapping[str, Sequence[ManifestEntry]], part: int = 0
) -> ManifestEntry:
    """The whole manifest; `part`: which of a class's the pack is, from 1."""
    own = {"part": part} if part else {}
    return {"program": "drillgen", "version": VERSION, "title": title, **own, **sections}


def part_of(document: ManifestEntry) -> int:
    """Which part of a class a pack is; 0: of none."""
    part = document.get("part")
    return part if type(part) is int else 0


def text(document: ManifestEntry) -> str:
    """The manifest as its file has it."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def files_of(entry: ManifestEntry) -> list[str]:
    """Every file that an entry lists."""
    return list(dict.fromkeys(_texts(entry.get("files", {}))))


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping | list):
        for part in value.values() if isinstance(value, Mapping) else value:
            yield from _texts(part)


@dataclass(frozen=True, slots=True)
class ManifestOnDisk:
    """A manifest as it lies in a pack."""

    document: ManifestEntry  # empty where there is none that can be read
    time: int  # when it was written, in nanoseconds of the file system's clock; 0: there is none


def read(pack: Path) -> ManifestOnDisk:
    """A pack's manifest, whatever has become of it."""
    path = pack / NAME
    if not is_regular(path):
        return ManifestOnDisk({}, 0)
    try:
        state = path.stat()
        time = state.st_mtime_ns
    except OSError:
        return ManifestOnDisk({}, 0)
    try:
        found = json.loads(path.read_bytes()) if state.st_size <= _MOST else {}
    except (OSError, ValueError, RecursionError):
        found = {}
    return ManifestOnDisk(found if isinstance(found, dict) else {}, time)


def is_ours(document: ManifestEntry) -> bool:
    """Whether a manifest is a pack's, as this program has written it."""
    return document.get("program") == "drillgen"


def is_foreign(document: ManifestEntry) -> bool:
    """Whether it is another program's: a web site may have a `manifest.json`, too."""
    return bool(document) and not is_ours(document) and "tracks" not in document


def lost(pack: Path) -> str:
    """Why nothing can be known of a pack; "" where it can."""
    document = read(pack).document
    if is_foreign(document):
        return f"{pack / NAME} is another program's: name a pack, the folder that build -o has made"
    return "" if document else f"{pack / NAME} is damaged: build the pack again"


def damage(pack: Path) -> str:
    """Of which drills a pack's manifest is damaged, in a sentence; "" where it is of none."""
    entries = [each for own in remains(read(pack).document).values() for each in own]
    folders = ", ".join(f'"{name}"' for name in sorted({e["folder"] for e in entries} - {""}))
    said = f"{pack / NAME} is damaged where it lists {folders}: build that again"
    return said if folders else ""


def sections(document: ManifestEntry) -> dict[str, list[ManifestEntry]]:
    """The sections of a manifest; an entry that is damaged is left out, for a person may have been
    at it."""
    return {
        name: [entry for entry in entries if is_sound(name, entry)]
        for name, entries in document.items()
        if isinstance(entries, list) and name not in _HEAD and is_plain(name)
    }


def every_file(document: ManifestEntry) -> set[str]:
    """Every file that a manifest lists, those of damaged entries, too."""
    entries = [
        each for section in document.values() if isinstance(section, list) for each in section
    ]
    return {name for entry in entries if isinstance(entry, dict) for name in _listed(entry)}


def remains(document: ManifestEntry) -> dict[str, list[ManifestEntry]]:
    """What can still be known of damaged entries, by section: `folder`, `drill` ("" where that is
    lost), `files` as a list, and of these `bytes` and `sums`.  It can be written, and is found
    damaged again."""
    return {
        name: [
            _remains(entry)
            for entry in entries
            if isinstance(entry, dict) and not is_sound(name, entry)
        ]
        for name, entries in document.items()
        if isinstance(entries, list) and name not in _HEAD and is_plain(name)
    }


def _remains(entry: ManifestEntry) -> ManifestEntry:
    files = sorted(filter(is_name, _listed(entry)))
    own = {name.partition("/")[0] for name in files if "/" in name} - {FOLDER}
    folder, drill = entry.get("folder"), entry.get("drill")
    if len(own) == 1:  # what its files say is surer
        (folder,) = own
    return {
        "folder": folder if is_name(folder) else "",
        "drill": drill if isinstance(drill, str) and is_plain(drill) else "",
        "files": files,
        "bytes": _of_kind(entry.get("bytes"), files, int),
        "sums": _of_kind(entry.get("sums"), files, str),
    }


def _of_kind(marks: object, files: Sequence[str], kind: type) -> ManifestEntry:
    found = marks.items() if isinstance(marks, dict) else ()
    return {
        name: value
        for name, value in found
        if name in files and isinstance(value, kind) and is_plain(value)
    }


def _listed(entry: ManifestEntry) -> set[str]:
    """Every file that an entry lists, damaged or not."""
    sizes = entry.get("bytes")
    names = (*_texts(entry.get("files")), *(sizes if isinstance(sizes, dict) else ()))
    return set(filter(is_plain, names))


_DEEPEST_VALUE = 12  # levels of lists and objects; ours have six
FileName = Annotated[str, AfterValidator(lambda name: _must(name, is_name(name)))]
Amount = Annotated[float, Field(ge=0, lt=1e9)]  # of tempos, seconds


def _must(value: Any, holds: bool) -> Any:
    if not holds:
        raise ValueError
    return value


class _Facts(BaseModel):
    """What is read of a part of the manifest, each of its kind; other keys are nobody's concern."""

    model_config = ConfigDict(strict=True, defer_build=True)


class _AnyEntry(_Facts):
    folder: Literal[""] | FileName = ""
    files: Annotated[Any, AfterValidator(lambda v: _must(v, all(map(is_name, _texts(v)))))] = ()
    made_from: str = ""
    warnings: list[str] = []


class _FontEntry(_Facts):
    name: str
    licence: str
    sha256: str


class _ClimbEntry(_Facts):
    start: Amount = Field(alias="from")
    to: Amount
    step: Amount


def _recordings(files: dict[str, Any]) -> dict[str, Any]:
    """Files by role, or by role under the name of a kind or form."""
    texts = isinstance(files.get("play-along"), str) and isinstance(files.get("with line", ""), str)
    return dict(_must(files, texts and isinstance(files.get("mixes", {}), dict)))


class _TrackEntry(_AnyEntry):
    drill: str
    note: str = ""
    title: str = ""
    folder: FileName
    tempo: Amount | _ClimbEntry
    keys: list[str]
    seconds: Amount
    files: Annotated[dict[str, FileName | dict[str, FileName]], AfterValidator(_recordings)]
    soundfont: _FontEntry
    licence: str = ""
    other_sounds: list[_FontEntry] = []
    own_sounds: _FontEntry = _FontEntry(name="", licence="", sha256="")


class _PageEntry(_AnyEntry):
    folder: FileName
    title: str
    file: FileName
    takes: list[dict[str, Any]]
    files: list[Annotated[str, Field(pattern=rf"^{FOLDER}/[a-z]+-[0-9a-f]+\.js$")]]


_ENTRIES: dict[str, type[_AnyEntry]] = {"tracks": _TrackEntry, "page": _PageEntry}


def is_sound(section: str, entry: object) -> bool:
    """Whether an entry of a section has what is read of it, each of its kind."""
    if not isinstance(entry, dict) or not is_plain(entry):
        return False
    try:
        _ENTRIES.get(section, _AnyEntry).model_validate(entry)
    except ValidationError:
        return False
    return True


def is_plain(value: object, depth: int = _DEEPEST_VALUE) -> bool:
    """Whether a value can be written again: numbers that are finite, texts in UTF-8 that a file's
    name may hold, and not too deep."""
    if isinstance(value, str):
        return "\0" not in value and not any("\ud800" <= sign <= "\udfff" for sign in value)
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, dict):
        return depth > 0 and all(
            is_plain(key) and is_plain(part, depth - 1) for key, part in value.items()
        )
    if isinstance(value, list):
        return depth > 0 and all(is_plain(part, depth - 1) for part in value)
    return True
