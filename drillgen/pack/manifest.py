"""`manifest.json`: what is in a pack, for machines and for the curious.

`docs/manifest.md` describes it; names, once given, stay.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drillgen.chart import Bar, Chart
from drillgen.pack.entries import is_plain, is_sound
from drillgen.pack.tasks import Entry
from drillgen.version import VERSION

if TYPE_CHECKING:
    from drillgen.pack.track import Track

__all__ = [
    "NAME",
    "Entry",
    "document",
    "entry",
    "every_file",
    "files_of",
    "is_foreign",
    "is_ours",
    "read",
    "sections",
    "text",
    "time_of",
]

NAME = "manifest.json"
_HEAD = ("program", "version", "title")  # what is no section


def entry(track: Track, files: Mapping[str, Any], sound: Mapping[str, Any]) -> Entry:
    """One track's entry: `files` by role, relative to the pack; `sound`: loudness, soundfont."""
    chart = track.chart
    return {
        "drill": chart.drill.title,
        **({"note": chart.drill.note} if chart.drill.note else {}),
        "folder": track.folder,
        "tempo": _tempo(chart),
        "keys": [str(key) for key in chart.keys],
        "feel": chart.drill.feel,
        "meter": chart.drill.meter.text,
        "seconds": track.performance.seconds,
        "files": dict(files),
        "bars": list(_bars(chart)),
        "seed": chart.drill.seed,
        **sound,
    }


def _tempo(chart: Chart) -> float | dict[str, float]:
    tempo = chart.tempo
    if not tempo.step:
        return tempo.start
    return {"from": tempo.start, "to": tempo.end, "step": tempo.step}


def _bars(chart: Chart) -> Iterator[Entry]:
    for bar in chart.bars:
        yield {
            "start": chart.seconds_at(bar.start),
            "key": str(bar.key),
            "chords": _chords(bar),
            "role": bar.role,
            "pass": bar.pass_number,
        }


def _chords(bar: Bar) -> list[Entry]:
    """Each chord with the quarter note of the bar it starts on."""
    return [
        {"chord": span.chord.text if span.chord else "N.C.", "at": float(span.start - bar.start)}
        for span in bar.spans
    ]


def document(title: str, sections: Mapping[str, Sequence[Entry]]) -> Entry:
    """The whole manifest."""
    return {"program": "drillgen", "version": VERSION, "title": title, **sections}


def text(document: Entry) -> str:
    """The manifest as its file has it."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def files_of(entry: Entry) -> list[str]:
    """Every file that an entry lists."""
    return list(dict.fromkeys(_texts(entry.get("files", {}))))


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping | list):
        for part in value.values() if isinstance(value, Mapping) else value:
            yield from _texts(part)


def read(pack: Path) -> Entry:
    """A pack's manifest; empty where it has none that can be read."""
    try:
        found = json.loads((pack / NAME).read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def is_ours(document: Entry) -> bool:
    """Whether a manifest is a pack's, as this program has written it."""
    return document.get("program") == "drillgen"


def is_foreign(document: Entry) -> bool:
    """Whether it is another program's: a web site may have a `manifest.json`, too."""
    return bool(document) and not is_ours(document) and "tracks" not in document


def time_of(pack: Path) -> int:
    """When a pack's manifest was written, in nanoseconds of the file system's clock; else 0."""
    try:
        return (pack / NAME).stat().st_mtime_ns
    except OSError:
        return 0


def sections(document: Entry) -> dict[str, list[Entry]]:
    """The sections of a manifest; an entry that is damaged is left out, for a person may have been
    at it."""
    return {
        name: [entry for entry in entries if is_sound(name, entry)]
        for name, entries in document.items()
        if isinstance(entries, list) and name not in _HEAD and is_plain(name)
    }


def every_file(document: Entry) -> set[str]:
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
