"""`python -m benchmarks [SOUNDFONT …]`: measure on this machine and print tables.

Without names: the public-domain bank, the small embedded one and FluidR3, where they are installed.
FluidSynth's own command line renders the same MIDI files with the same soundfont in the same run;
where it is missing, there are no ratios.
"""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path

from benchmarks.commands import composing, whole_commands
from benchmarks.rendering import FIVE, Bench, compare
from benchmarks.running import RUNS, drillgen, median
from drillgen.sound.soundfonts import Soundfont, choose, find_soundfonts

_FONTS = ("sf_GMbank", "TimGM6mb", "FluidR3_GM")


def main() -> None:
    """Measure everything and print it."""
    with tempfile.TemporaryDirectory() as folder:
        _commands(Path(folder))
    print()
    composing()
    each_font(sys.argv[1:], whole_commands, compare)


def each_font(names: list[str], *tables: Callable[[Bench], None]) -> None:
    """Say what is measured on, and print some tables for each soundfont."""
    command = shutil.which("fluidsynth")
    print(
        f"\n{platform.machine()}, {_processor()}, {os.cpu_count()} cores, {platform.system()}, "
        f"Python {platform.python_version()}, {_version(command)}; medians of {RUNS} runs",
        flush=True,
    )
    with tempfile.TemporaryDirectory() as folder:
        for font in _fonts(names):
            own = Path(folder) / font.path.stem
            own.mkdir()
            for table in tables:
                print(f"\n{font.name}:\n")
                table(Bench(own, str(font.path), command))


def _fonts(names: list[str]) -> list[Soundfont]:
    if names:
        return [choose(name).soundfont for name in names]
    found = {font.path.stem: font for font in find_soundfonts()}
    return [found[name] for name in _FONTS if name in found]


def _commands(work: Path) -> None:
    drill = work / "five.yaml"
    drill.write_text(FIVE, "utf-8")
    print("| command | seconds | goal |\n| --- | --- | --- |")
    for name, arguments, goal in (
        ("drillgen --help", ["--help"], 0.25),
        ("drillgen check five.yaml", ["check", str(drill)], 0.6),
    ):
        job = partial(drillgen, arguments, work / "cache")
        print(f"| `{name}` | {median(job):.2f} | {goal} |", flush=True)


def _version(command: str | None) -> str:
    if command is None:
        return "FluidSynth's command line is not installed: no ratios"
    said = subprocess.run([command, "--version"], capture_output=True, text=True, check=False)
    words = said.stdout.split()
    return f"FluidSynth {next((word for word in words if word[0].isdigit()), 'unknown')}"


def _processor() -> str:
    """The processor's name where Linux tells it."""
    info = Path("/proc/cpuinfo")
    lines = info.read_text("utf-8").splitlines() if info.exists() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor() or "unknown processor"


if __name__ == "__main__":
    main()
