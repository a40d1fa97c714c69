"""`python -m benchmarks.commands [SOUNDFONT …]`: whole commands, as a person types them.

Each figure is a process from its start to its end, imports and all, on as many cores as it takes by
itself.  FluidSynth's own command renders the same two mixes of every track right after it, with the
same soundfont, its reverb on as our room is: a ratio is ours through theirs, each the median of its
runs.  `load` is the machine's load average over the minute before a row began (`os.getloadavg`):
on an idle machine it is what the rows above have left behind, about 1 to 2.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import time
from dataclasses import dataclass
from functools import partial
from typing import Literal

from benchmarks.rendering import BARE, Bench
from benchmarks.running import ROOT, RUNS, timed
from drillgen.score import PartName

TEN = """\
title: Ten minutes of two-fives
progression: ii7 | V7 | Imaj7 | %
key_cycle: fourths
passes: 2
tempo: 78
band: {drums: sticks, comping: piano, bass: walking}
line: arpeggio
gaps: {call: 4, response: 4}
"""
SIXTY = TEN.replace("tempo: 78", "tempo: [60, 72, 84, 96, 108]\ntracks: per key")
DEMO = (ROOT / "presets/two-fives/first-two-fives.yaml").read_text("utf-8")
_FEW = 3  # runs of what takes long


@dataclass(frozen=True, slots=True)
class Command:
    """A build, and what is there before it."""

    name: str
    drill: str
    before: Literal["nothing", "samples", "the pack"]
    goal: str
    options: tuple[str, ...] = ()
    runs: int = RUNS


_COMMANDS = (
    Command("ten minutes, 12 keys: tracks alone", TEN, "samples", "0.18", BARE),
    Command("ten minutes, 12 keys: with sheets and page", TEN, "samples", "0.28"),
    Command("60 tracks (12 keys × 5 tempos), sheets, page", SIXTY, "samples", "0.15", (), _FEW),
    Command("the demo drill (3 minutes), cold", DEMO, "nothing", "2.5 s"),
    Command("the demo drill (3 minutes), warm", DEMO, "samples", "1.0 s"),
    Command("nothing to do (ten minutes, 12 keys)", TEN, "the pack", "0.35 s"),
)


def whole_commands(bench: Bench) -> None:
    """Print the table for one soundfont."""
    print("| command | FluidSynth | drillgen | ratio | goal | load |")
    print("| --- | --- | --- | --- | --- | --- |")
    for command in _COMMANDS:
        load = loaded()
        ours, theirs = _measured(bench, command)
        yardstick = f"{theirs:.2f} s | {ours:.2f} s | {ours / theirs:.3f}" if theirs else ""
        row = yardstick or f" | {ours:.2f} s | "
        print(f"| {command.name} | {row} | {command.goal} | {load} |", flush=True)


def _measured(bench: Bench, command: Command) -> tuple[float, float | None]:
    """Seconds of ours and theirs; None where theirs is missing, or would be beside the point."""
    drill, out = bench.drill("command", command.drill), bench.work / "command"
    shutil.rmtree(out, ignore_errors=True)
    if command.before != "nothing":
        bench.make(drill, out, *command.options)
    ours, theirs = [], []
    for _ in range(command.runs):
        if command.before == "nothing":
            bench.forget()
        if command.before != "the pack":
            shutil.rmtree(out, ignore_errors=True)
        ours.append(timed(partial(bench.make, drill, out, *command.options)))
        if bench.fluidsynth and command.before != "the pack":
            theirs.append(bench.theirs(sorted(out.rglob("*.mid")), effects=True))
    return statistics.median(ours), statistics.median(theirs) if theirs else None


def composing() -> None:
    """Print how many bars a second are arranged: chart, score, performance and MIDI."""
    print("| part | bars a second | goal | load |\n| --- | --- | --- | --- |")
    for name, text in (("ten minutes, 12 keys", TEN), ("60 tracks", SIXTY)):
        load = loaded()
        speed = statistics.median(_arranging(text) for _ in range(RUNS))
        print(f"| arranging {name} | {speed:.0f} | 400 | {load} |", flush=True)


def _arranging(text: str) -> float:
    """Bars a second, in a process of its own."""
    program = [sys.executable, "-c", "from benchmarks.commands import once; once()"]
    done = subprocess.run(
        program, input=text, cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True
    )
    return float(done.stdout)


def once() -> None:
    """Arrange the drill on standard input in this process and print its bars a second."""
    from drillgen.arrange import arrange
    from drillgen.chart import charts
    from drillgen.drill.reader import parse_drill
    from drillgen.midi import midi_files
    from drillgen.performance import perform

    drill, bars = parse_drill(sys.stdin.read()), 0
    versions: tuple[tuple[PartName, ...], ...] = ((), ("line",))
    began = time.perf_counter()
    for chart in charts(drill):
        midi_files(perform(arrange(chart)), drill.title, versions)
        bars += len(chart.bars)
    print(bars / (time.perf_counter() - began))


def loaded() -> str:
    """The load average over the last minute, where the system tells it."""
    return f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"


if __name__ == "__main__":
    from benchmarks.__main__ import each_font

    composing()
    each_font(sys.argv[1:], whole_commands)
