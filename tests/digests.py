"""What every preset is, as digests: a change that means to change no note changes none of these.

`python -m tests.digests` writes `data/digests.json` anew, for a change that means to.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator

from drillgen.midi import midi_files
from drillgen.performance import perform
from drillgen.score import Score
from drillgen.sheet.sheets import Sheets
from tests.composed import ASKED, NAMES, composed, engraved
from tests.conftest import DATA

FILE = DATA / "digests.json"


def digest(preset: str, seed: int) -> dict[str, str]:
    """A preset's MIDI (with and without the line) and MusicXML (every sheet), hashed apart."""
    found = {"midi": hashlib.sha256(), "musicxml": hashlib.sha256()}
    drills = zip(composed(preset, seed), engraved(preset, seed), strict=True)
    for scores, sheets in drills:
        for kind, content in _files(scores, sheets):
            found[kind].update(f"{len(content)} ".encode() + content)
    return {kind: each.hexdigest()[:20] for kind, each in found.items()}


def _files(scores: tuple[Score, ...], sheets: Sheets) -> Iterator[tuple[str, bytes]]:
    for score in scores:
        for content in midi_files(perform(score), score.chart.drill.title, ((), ("line",))):
            yield "midi", content
    for sheet in sheets.all:
        yield "musicxml", sheet.musicxml.encode()


def main() -> None:
    """Write the digests of every preset and seed."""
    table: dict[str, dict[str, dict[str, str]]] = {name: {} for name in NAMES}
    for name, seed in sorted(ASKED):
        table[name][str(seed)] = digest(name, seed)
    FILE.write_text(json.dumps(table, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
