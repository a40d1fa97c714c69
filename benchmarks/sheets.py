"""`python -m benchmarks.sheets`: how long the sheets of one drill take, each time in a new process.

Twelve keys of eighth-note arpeggios with fingerings over altered chords: MusicXML, a strip a key
for the page, the whole as SVG, and the PDF.  The goal is 3 s on one core, imports and all.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time
from collections.abc import Callable

RUNS = 5
DRILL = """\
title: Twelve keys
progression: ii7b5 | V7(b9,#11) / bII7(#9) / | im(maj7) | VI7alt
key_cycle: [Gb, B, E, A, D, G, C, F, Bb, Eb, Ab, Db]
line: {kind: arpeggio, note: eighth}
gaps: {call: 4, response: 4}
sheet: {fingering: true}
"""


def once() -> None:
    """Make the sheets once and print the seconds of each step."""
    steps: dict[str, float] = {}

    def timed(name: str, step: Callable[[], object]) -> None:
        began = time.perf_counter()
        step()
        steps[name] = time.perf_counter() - began

    from drillgen.arrange import arrange
    from drillgen.chart import charts
    from drillgen.drill.reader import parse_drill
    from drillgen.sheet.sheets import sheets

    began = time.perf_counter()
    sheet = sheets([arrange(chart) for chart in charts(parse_drill(DRILL))]).handout
    steps["the drill, its line and fingering"] = time.perf_counter() - began
    timed("MusicXML", lambda: sheet.musicxml)

    from drillgen.sheet.pdf import pdf
    from drillgen.sheet.svg import strips, whole_svg

    timed("strips (SVG, a key each)", lambda: strips(sheet.sections))
    timed("the whole as SVG", lambda: whole_svg(sheet.title, sheet.sections))
    timed("PDF", lambda: pdf(sheet))
    print(json.dumps(steps))


def main() -> None:
    """Time cold runs and print a table of medians."""
    runs = [_cold() for _ in range(RUNS)]
    print("| step | seconds |\n| --- | --- |")
    for name in runs[0]:
        print(f"| {name} | {statistics.median(run[name] for run in runs):.2f} |")


def _cold() -> dict[str, float]:
    began = time.perf_counter()
    program = [sys.executable, "-c", "from benchmarks.sheets import once; once()"]
    made = subprocess.run(program, capture_output=True, text=True, check=True)
    steps: dict[str, float] = json.loads(made.stdout)
    total = time.perf_counter() - began
    return steps | {"in all, with Python's start and imports": total}


if __name__ == "__main__":
    main()
