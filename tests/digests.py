"""What every preset is, as digests: a change that means to change no note changes none of these.

`python -m tests.digests` writes `data/digests.json` anew, for a change that means to.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator

from drillgen.arrange import arrange
from drillgen.chart import charts
from drillgen.drill.lesson import load
from drillgen.drill.models import Drill
from drillgen.drill.overrides import Override
from drillgen.midi import midi_files
from drillgen.performance import perform
from drillgen.sheet.sheets import sheets
from tests.conftest import DATA

FILE = DATA / "digests.json"
SEEDS = (1, 7)  # each preset's own is 1 where it does not say


def digest(preset: str, seed: int) -> dict[str, str]:
    """A preset's MIDI (with and without the line) and MusicXML (every sheet), hashed apart."""
    drills = load(preset, [Override.of("seed", seed)]).drills
    found = {"midi": hashlib.sha256(), "musicxml": hashlib.sha256()}
    for drill in drills:
        for kind, content in _files(drill):
            found[kind].update(f"{len(content)} ".encode() + content)
    return {kind: each.hexdigest()[:20] for kind, each in found.items()}


def _files(drill: Drill) -> Iterator[tuple[str, bytes]]:
    scores = [arrange(chart) for chart in charts(drill)]
    for score in scores:
        for content in midi_files(perform(score), drill.title, ((), ("line",))):
            yield "midi", content
    for sheet in sheets(scores).all:
        yield "musicxml", sheet.musicxml.encode()


def main() -> None:
    """Write the digests of every preset and seed."""
    from drillgen.drill.lesson import list_presets

    names = [preset.name for preset in list_presets()]
    table = {name: {str(seed): digest(name, seed) for seed in SEEDS} for name in names}
    FILE.write_text(json.dumps(table, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
