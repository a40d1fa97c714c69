"""`manifest.json`: what is in a pack, for machines and for the curious.

`docs/manifest.md` describes it; names, once given, stay.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from drillgen.chart import Bar, Chart
from drillgen.pack.plan import Track
from drillgen.version import VERSION

NAME = "manifest.json"
Entry = dict[str, Any]


def entry(track: Track, files: Mapping[str, Any], sound: Mapping[str, Any]) -> Entry:
    """One track's entry: `files` by role, relative to the pack; `sound`: loudness, soundfont."""
    chart = track.chart
    return {
        "drill": chart.drill.title,
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


def text(title: str, entries: Sequence[Entry]) -> str:
    """The manifest's text."""
    document = {"program": "drillgen", "version": VERSION, "title": title, "tracks": entries}
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def files_of(entry: Entry) -> list[str]:
    """Every file that an entry lists, stems included."""
    files = dict(entry.get("files", {}))
    stems = files.pop("stems", {})
    return [name for name in (*files.values(), *stems.values()) if isinstance(name, str)]


def earlier(pack: Path) -> list[Entry]:
    """The entries that a pack's manifest already has; none where it has none that can be read."""
    try:
        tracks = json.loads((pack / NAME).read_text("utf-8"))["tracks"]
        return [track for track in tracks if isinstance(track["folder"], str)]
    except (OSError, ValueError, KeyError, TypeError):
        return []
