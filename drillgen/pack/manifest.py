"""`manifest.json`: what is in a pack, for machines and for the curious.

`docs/manifest.md` describes it; names, once given, stay.

A person, or a failing disk, may have been at it: an entry can be used where everything that other
modules read of it is there, each of its kind.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drillgen.disk import is_regular
from drillgen.pack.inside import is_name
from drillgen.pack.tasks import ManifestEntry
from drillgen.page import FOLDER
from drillgen.version import VERSION

__all__ = [
    "NAME",
    "ManifestEntry",
    "ManifestOnDisk",
    "document",
    "every_file",
    "files_of",
    "is_foreign",
    "is_ours",
    "read",
    "sections",
    "text",
]

NAME = "manifest.json"
_HEAD = ("program", "version", "title")  # what is no section
_MOST = 64 << 20  # bytes that are read; a track has some 20 kB


def document(title: str, sections: Mapping[str, Sequence[ManifestEntry]]) -> ManifestEntry:
    """The whole manifest."""
    return {"program": "drillgen", "version": VERSION, "title": title, **sections}


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
    return {
        name
        for entry in entries
        if isinstance(entry, dict)
        for name in (*_texts(entry.get("files")), *_keys(entry.get("bytes")))
        if is_plain(name)
    }


def _keys(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        yield from value


Check = Callable[[Any], bool]
_NOTHING = object()  # where there is no such key
_DEEPEST = 12  # levels of lists and objects; ours have six
_LARGEST = 1e9  # of tempos, seconds
_SCRIPT = re.compile(rf"{FOLDER}/[a-z]+-[0-9a-f]+\.js")


def is_sound(section: str, entry: object) -> bool:
    """Whether an entry of a section has what is read of it, each of its kind."""
    if not isinstance(entry, dict) or not is_plain(entry):
        return False
    checks = _EVERY | _SECTIONS.get(section, {})
    return all(check(entry.get(key, _NOTHING)) for key, check in checks.items())


def is_plain(value: object, depth: int = _DEEPEST) -> bool:
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


def _is_text(value: object) -> bool:
    return isinstance(value, str)


def _is_script(value: object) -> bool:
    return isinstance(value, str) and bool(_SCRIPT.fullmatch(value))


def _is_number(value: object) -> bool:
    return type(value) in (int, float) and 0 <= value < _LARGEST  # type: ignore[operator]


def _perhaps(check: Check) -> Check:
    """That the key is not there will do."""
    return lambda value: value is _NOTHING or check(value)


def _list_of(check: Check) -> Check:
    return lambda value: isinstance(value, list) and all(map(check, value))


def _with(checks: Mapping[str, Check]) -> Check:
    """An object in which these keys hold what they shall."""
    return lambda value: (
        isinstance(value, dict) and all(check(value.get(key)) for key, check in checks.items())
    )


def _is_tempo(value: object) -> bool:
    climbs = _with({"from": _is_number, "to": _is_number, "step": _is_number})
    return _is_number(value) or climbs(value)


def _are_recordings(value: object) -> bool:
    """Files by role, or by role under the name of a kind or form."""
    return (
        isinstance(value, dict)
        and is_name(value.get("play-along"))
        and is_name(value.get("with line", "none"))
        and isinstance(value.get("mixes", {}), dict)
        and all(
            is_name(each) or (isinstance(each, dict) and all(map(is_name, each.values())))
            for each in value.values()
        )
    )


def _are_names(value: object) -> bool:
    """All files that an entry lists, whatever holds them."""
    return all(map(is_name, _texts(value)))


_EVERY: dict[str, Check] = {
    "folder": _perhaps(lambda value: value == "" or is_name(value)),
    "files": _perhaps(_are_names),
    "made_from": _perhaps(_is_text),
    "warnings": _perhaps(_list_of(_is_text)),
}
_SECTIONS: dict[str, dict[str, Check]] = {
    "tracks": {
        "drill": _is_text,
        "note": _perhaps(_is_text),
        "title": _perhaps(_is_text),
        "folder": is_name,
        "tempo": _is_tempo,
        "keys": _list_of(_is_text),
        "seconds": _is_number,
        "files": _are_recordings,
        "soundfont": _with({"name": _is_text, "licence": _is_text, "sha256": _is_text}),
        "licence": _perhaps(_is_text),
        "other_sounds": _perhaps(
            _list_of(_with({"name": _is_text, "licence": _is_text, "sha256": _is_text}))
        ),
        "own_sounds": _perhaps(_with({"name": _is_text, "licence": _is_text, "sha256": _is_text})),
    },
    "page": {
        "folder": is_name,
        "title": _is_text,
        "file": is_name,
        "takes": _list_of(lambda take: isinstance(take, dict)),
        "files": _list_of(_is_script),
    },
}
